"""A desk served by the command, as a person starts it, and people who visit it in a real browser."""

from __future__ import annotations

import csv
import io
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from clean_season import BATCH, plate, write_clean

SWAPPED = ("C003", "C008")
"""Tags that were exchanged on the way in the season of the newcomer."""
PAGES = ("", "/sheets", "/files", "/problems", "/run", "/findings", "/results", "/field", "/phone")


class Served:
    """`crossproof desk` on a folder."""

    def __init__(self, root: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "crossproof.cli", "desk", str(root), "--no-browser", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self.process.stdout is not None
        told = ""
        while not (found := re.search(r"(http://127\.0\.0\.1:(\d+))/open/\S+", told)):
            line = self.process.stdout.readline()
            assert line, f"the desk did not open: {told}"
            told += line
        self.opening, self.address, self.port = found[0], found[1], int(found[2])

    def close(self) -> None:
        """End it as Ctrl+C does."""
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(30)
        if self.process.stdout is not None:
            self.process.stdout.close()

    def kill(self) -> None:
        """End it as a power cut does."""
        self.process.kill()
        self.process.wait(30)


class Person:
    """A browser of its own that the desk has let in; remembers what its console said."""

    def __init__(self, browser: Any, desk: Served, **options: Any) -> None:
        self.desk = desk
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.page.set_default_timeout(10_000)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda m: self.said.append(m.text))
        self.page.on("pageerror", lambda e: self.said.append(str(e)))
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.goto(desk.opening)

    def go(self, path: str) -> None:
        """Open a page by its address."""
        self.page.goto(self.desk.address + path)

    def part(self, name: str) -> None:
        """Click a part of the season in its list."""
        self.page.get_by_role("navigation").get_by_role("link", name=name, exact=True).click()

    def press(self, name: str) -> None:
        """Click a button."""
        self.page.get_by_role("button", name=name, exact=True).click()

    def text(self) -> str:
        """What the page says, blanks made one."""
        return " ".join(self.page.locator("body").inner_text().split())

    def says(self, words: str) -> bool:
        """Whether the page says these words, now or within the time a page takes to come."""
        for _ in range(100):
            if words in self.text():
                return True
            self.page.wait_for_timeout(100)
        return False

    def wait_run(self, seconds: float = 120) -> None:
        """Stay on the page of the run until it has ended."""
        self.page.get_by_role("link", name="Open the results").wait_for(timeout=seconds * 1000)

    def tab_to(self, text: str, most: int = 200) -> None:
        """Press Tab until what has this name, or begins with it, has the focus."""
        named = """() => { const e = document.activeElement; if (!e) return '';
            return (e.getAttribute('aria-label') || (e.labels && e.labels[0] && e.labels[0].innerText)
                || e.innerText || '').trim(); }"""
        for _ in range(most):
            self.page.keyboard.press("Tab")
            if str(self.page.evaluate(named)).startswith(text):
                assert self.page.evaluate(
                    "() => { const s = getComputedStyle(document.activeElement);"
                    "return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0; }"
                ), f"{text} has the focus, and nothing shows it"
                return
        raise AssertionError(f"no way by Tab to {text}")

    def enter(self, text: str) -> None:
        """Go to a link or button by Tab and press Enter; wait for the page that comes."""
        self.tab_to(text)
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")


def swapped(sheet: str) -> str:
    """A sheet of crosses in which two tags' parents are exchanged."""
    rows = list(csv.reader(io.StringIO(sheet)))
    at = {row[0]: row for row in rows}
    one, other = (at[name] for name in SWAPPED)
    for name in ("mother", "father"):
        i = rows[0].index(name)
        one[i], other[i] = other[i], one[i]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def swapped_season(folder: Path) -> Path:
    """An invented season of 140 plants in which two tags were exchanged; not run."""
    write_clean(folder, received=True)
    sheet = folder / "crosses.csv"
    sheet.write_text(swapped(sheet.read_text(encoding="utf-8")), encoding="utf-8")
    return folder


def ugly_file() -> bytes:
    """The second plate as the laboratory sent it: remarks, semicolons, a word of its own for no call."""
    p = plate()
    lines = ["Genotyping report;;", "Order 4711; plate 2;", ""]
    lines += [";".join(["Sample", *p.markers])]
    for sample, calls in zip(p.samples, p.calls, strict=True):
        lines.append(";".join([sample, *(c or "zweifelhaft" for c in calls)]))
    return ("\r\n".join(lines) + "\r\n").encode("utf-8-sig")


def post(folder: Path) -> dict[str, Path]:
    """What lies on the newcomer's disk: sheets kept in a spreadsheet program, files from the laboratory."""
    write_clean(folder / "made", received=True)
    made = folder / "made"
    crosses = made / "crosses.csv"
    crosses.write_text(swapped(crosses.read_text(encoding="utf-8")), encoding="utf-8")
    ugly = folder / "Results plate 2 (final).csv"
    ugly.write_bytes(ugly_file())
    return {
        "crosses": crosses,
        "markers": made / "markers.csv",
        "wells 1": made / "samples" / "B001.csv",
        "wells 2": made / "samples" / f"{BATCH}.csv",
        "plate 1": made / "genotypes" / "B001.csv",
        "plate 2": ugly,
    }
