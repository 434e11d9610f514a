"""Time and size of the report at 100, 2,000 and 20,000 plants, and how fast a browser shows it.

    python benchmarks/report_size.py [plants ...]

The seasons are invented (tests/report/invented_season.py). Times are of one process; the charting library
needs about a second to start, which the first row carries.
"""

from __future__ import annotations

import datetime as dt
import os
import platform
import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "report"))

from invented_season import invented_season

from crossproof.report.content.content import build_content
from crossproof.report.draw import labels
from crossproof.report.draw.html import render
from crossproof.report.draw.xlsx import write_worklist

CHROMIUM = os.environ.get("CROSSPROOF_CHROMIUM") or shutil.which("chromium")


def first_view(path: Path) -> tuple[float, float, float]:
    """Seconds to the first contentful paint, to all views filled, and for one search among all plants."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(path.as_uri())
        page.wait_for_function("document.documentElement.dataset.ready === 'yes'")
        ready = page.evaluate("performance.now()") / 1000
        page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length > 0")
        paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime") / 1000
        search = page.evaluate(
            """async () => {
                const box = document.getElementById('plants-search');
                const once = async text => {
                    box.value = text;
                    const from = performance.now();
                    box.dispatchEvent(new Event('input'));
                    await new Promise(done => new MutationObserver(done).observe(
                        document.querySelector('#plants-table tbody'), {childList: true}));
                    return performance.now() - from;
                };
                await once('c0001');
                return once('c0002');
            }"""
        )
        browser.close()
    return paint, ready, search / 1000


def measure(plants: int) -> dict[str, float]:
    """One row of the table."""
    season = invented_season(plants)
    row: dict[str, float] = {"plants": plants}
    started = time.perf_counter()
    content = build_content(season)
    row["content s"] = time.perf_counter() - started
    started = time.perf_counter()
    html = render(content)
    row["page s"] = time.perf_counter() - started
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        write_worklist(content, Path(folder, "worklist.xlsx"))
        row["workbook s"] = time.perf_counter() - started
        started = time.perf_counter()
        made = labels.render(content)
        row["labels s"] = time.perf_counter() - started
        row["page MB"] = len(html.encode()) / 1e6
        row["workbook MB"] = Path(folder, "worklist.xlsx").stat().st_size / 1e6
        row["labels MB"] = len(made.encode()) / 1e6
        if CHROMIUM:
            page = Path(folder, "report.html")
            page.write_text(html, encoding="utf-8")
            row["paint s"], row["filled s"], row["search s"] = first_view(page)
    row["peak GB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return row


def main() -> None:
    """Print the table with machine and date."""
    sizes = [int(a) for a in sys.argv[1:]] or [100, 2_000, 20_000]
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {dt.date.today()}"
    )
    rows = [measure(n) for n in sizes]
    print("| " + " | ".join(rows[0]) + " |")
    print("|" + "---|" * len(rows[0]))
    for row in rows:
        print("| " + " | ".join(f"{v:,.0f}" if k == "plants" else f"{v:.2f}" for k, v in row.items()) + " |")


if __name__ == "__main__":
    main()
