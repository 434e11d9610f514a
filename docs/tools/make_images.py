"""Take the pictures of the documentation: the report of the demo season, in a real browser.

    python docs/tools/make_images.py [CHROMIUM]      # CHROMIUM: path of the browser, /usr/bin/chromium

The season is run in a scratch folder. Nothing is loaded from any network.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from make_examples import Scratch
from playwright.sync_api import Page, sync_playwright

IMAGES = Path(__file__).parents[1] / "images"
LARGEST = 250_000
"""Bytes a picture may have."""


def take(page: Page, name: str, selector: str | None = None, height: int = 1000) -> None:
    """One picture: the top of the page, or the part that `selector` names."""
    path = IMAGES / name
    if selector is None:
        page.set_viewport_size({"width": 1280, "height": height})
        page.evaluate("window.scrollTo(0, 0)")
        page.screenshot(path=path)
    else:
        page.locator(selector).first.screenshot(path=path)
    size = path.stat().st_size
    if size > LARGEST:
        raise ValueError(f"{name} has {size:,} bytes; at most {LARGEST:,} are wanted")
    print(f"{name}: {size:,} bytes")


def main(chromium: str) -> None:
    """Run the demo, open its report and worklist labels, take the pictures."""
    IMAGES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        results = Scratch(Path(folder).resolve()).results("demo_genotypes")
        browser = play.chromium.launch(
            executable_path=chromium,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page(
            viewport={"width": 1280, "height": 1000}, color_scheme="light", locale="en-GB"
        )
        page.goto((results / "report.html").as_uri())
        page.wait_for_load_state()
        take(page, "report.png")
        take(page, "findings.png", "#plates ul.findings")
        take(page, "plate.png", "#plates-view")
        take(page, "chain.png", "#chain")
        take(page, "plant.png", "#plant-view")
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else shutil.which("chromium") or "/usr/bin/chromium")
