"""Take the pictures of the documentation, in a real browser: the report of the demo season, tags and book.

    python docs/tools/make_images.py [CHROMIUM]      # CHROMIUM: path of the browser, /usr/bin/chromium

The season is run in a scratch folder. Nothing is loaded from any network.
"""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
from pathlib import Path

from make_examples import Scratch
from playwright.sync_api import Browser, Page, sync_playwright

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


def field_pages(folder: Path) -> tuple[Path, Path]:
    """Tags and book of the invented crosses that the page on them lists, and one tag without parents."""
    text = (IMAGES.parent / "tags_and_book.md").read_text(encoding="utf-8")
    planned = re.search(r"planned\.csv -->\n```csv\n(.*?)```", text, flags=re.S)
    assert planned is not None
    scratch = Scratch(folder)
    scratch.run("new", "nursery_2027")
    season = folder / "nursery_2027"
    (season / "planned.csv").write_text(planned[1], encoding="utf-8")
    (season / "crosses.csv").write_text("cross_id,mother,father\n", encoding="utf-8")
    scratch.run("tags", "nursery_2027", "--season", "2027", "--out", "nursery_2027/planned.html")
    scratch.run("tags", "nursery_2027", "--empty", "1")
    names = [line.split(",")[0] for line in (season / "tags.csv").read_text().splitlines()[-3:]]
    again = [word for name in names[1:] for word in ("--again", name)]
    scratch.run("tags", "nursery_2027", *again, "--out", "nursery_2027/shown.html")
    scratch.run("book", "nursery_2027")
    return season / "shown.html", season / "field" / "book.html"


def take_field_pages(browser: Browser, folder: Path) -> None:
    """Pictures of two tags and of the first pages of a book."""
    tags, book = field_pages(folder)
    page = browser.new_page(viewport={"width": 1120, "height": 1000}, device_scale_factor=1.4)
    page.goto(tags.as_uri())
    take(page, "tags.png", ".grid")
    page.goto(book.as_uri())
    take(page, "book.png", "main")
    page.close()


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
        take_field_pages(browser, Path(folder).resolve())
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else shutil.which("chromium") or "/usr/bin/chromium")
