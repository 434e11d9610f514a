"""The files an environment is made of: every package pinned, every file known by its digest, no address."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
ENTRY = re.compile(r"^(\S+==\S+) \\\n((?:    --hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)", re.MULTILINE)


def named(pin: str) -> str:
    """A pin under the package's normalised name (PEP 503)."""
    name, version = pin.split("==")
    return f"{re.sub(r'[-_.]+', '-', name).lower()}=={version}"


def test_every_pinned_package_has_its_digests_and_no_address() -> None:
    pins = (ROOT / "requirements.lock").read_text(encoding="utf-8").split()
    text = (ROOT / ".requirements.hashes").read_text(encoding="utf-8")
    found = dict(ENTRY.findall(text))
    assert sorted(map(named, found)) == sorted(map(named, pins)), "renew it as DEVELOPERS.md says"
    assert ENTRY.sub("", text) == ""
    for text in (
        (ROOT / name).read_text(encoding="utf-8") for name in ("requirements.lock", ".requirements.hashes")
    ):
        assert not re.search(r"://|@|--(?:extra-)?index-url|--find-links", text)


def test_the_environment_is_made_of_files_of_known_digest() -> None:
    rule = (ROOT / "Makefile").read_text(encoding="utf-8")
    assert "--require-hashes -r .requirements.hashes" in rule
    assert "-r requirements.lock" not in rule
