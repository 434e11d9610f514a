"""Take the pictures of the desk for the documentation, in a real browser, on the invented demo season.

    python docs/tools/make_desk_images.py [CHROMIUM]      # CHROMIUM: path of the browser, /usr/bin/chromium

The season is run in a scratch folder. Nothing is loaded from any network.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from make_examples import Scratch
from make_images import take
from playwright.sync_api import sync_playwright

PICTURES = (
    ("desk_season.png", "", 760),
    ("desk_findings.png", "/findings", 760),
    ("desk_results.png", "/results", 760),
)
"""Name, page of the season, height in pixels."""


def opened(folder: Path) -> tuple[subprocess.Popen[str], str]:
    """A desk on a folder, and the address that opens it."""
    words = [sys.executable, "-m", "crossproof.cli", "desk", "nurseries", "--no-browser"]
    desk = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=folder)
    assert desk.stdout is not None
    for line in desk.stdout:
        if found := re.search(r"http://\S+/open/\S+", line):
            return desk, found[0]
    raise RuntimeError("the desk did not open")


def main(chromium: str) -> None:
    """Run the demo, open a desk on it, take the pictures."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        results = Scratch(Path(folder).resolve()).results("demo_genotypes")
        root = Path(folder).resolve() / "nurseries"
        root.mkdir()
        shutil.move(results.parent, root / "nursery_2026")
        desk, address = opened(root.parent)
        browser = play.chromium.launch(
            executable_path=chromium,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page(viewport={"width": 1280, "height": 760}, locale="en-GB")
        page.goto(address)
        for name, path, height in PICTURES:
            page.goto(address.partition("/open/")[0] + "/season/nursery_2026" + path)
            take(page, name, height=height)
        browser.close()
        desk.terminate()
        desk.wait(30)


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else shutil.which("chromium") or "/usr/bin/chromium")
