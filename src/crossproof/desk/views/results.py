"""What runs made of a season: the report, the worklist, labels, tables; opened or taken home."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from crossproof.desk.folder import SeasonPlace
from crossproof.desk.pages import desk_of, season_page
from crossproof.desk.security import RESULT_POLICY
from crossproof.io.results.reading import read_table

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".csv": "text/csv; charset=utf-8",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".json": "application/json",
    ".parquet": "application/octet-stream",
    ".pdf": "application/pdf",
    ".svg": "image/svg+xml",
}
MOST_CHANGES = 500
PAPERS = {
    "report.html": ("Report", "The whole season: what to keep, what to cull, what to test again, and why."),
    "worklist.xlsx": ("Worklist", "Every plant by place and by cross, for the walk along the benches."),
    "labels.html": ("Labels of kept plants", "Three to a row on A4, to print."),
    "summary.html": ("Summary for the team leader", "One page: success, persons, plates, costs."),
    "plan/plan.html": ("Plan", "What the next crosses can prove, markers to add, seeds and flowers."),
}
"""Results that have a name of their own for people, in the order shown."""


@dataclass(frozen=True)
class Paper:
    """One file of the results: its name in the folder, for people, and what it is."""

    file: str
    title: str
    told: str
    page: bool


def papers_of(place: SeasonPlace) -> list[Paper]:
    """The results that people open, as far as they are there."""
    there = files_of_results(place)
    return [Paper(f, *PAPERS[f], f.endswith(".html")) for f in PAPERS if f in there]


def files_of_results(place: SeasonPlace) -> dict[str, Path]:
    """Every file of the results by its name there; a link that leads elsewhere is none of them."""
    root = place.folder.results
    found = {}
    if root.is_dir() and not root.is_symlink():
        for path in sorted(root.rglob("*")):
            if path.is_file() and path.suffix in TYPES and path.resolve().is_relative_to(root.resolve()):
                found[path.relative_to(root).as_posix()] = path
    return found


def results(request: Request) -> Response:
    """What there is to open, and what changed since the run before."""
    place = desk_of(request).season(request)
    there = files_of_results(place)
    changes = []
    if "changes.csv" in there:
        frame = read_table(there["changes.csv"])
        changes = list(frame.itertuples(index=False, name=None))
    tables = [f for f in there if f not in PAPERS]
    return season_page(
        request, "results.html.j2", place, "results", papers=papers_of(place), tables=tables,
        changes=changes[:MOST_CHANGES], n_changes=len(changes),
    )  # fmt: skip


def result_file(request: Request) -> Response:
    """One file of the results."""
    place = desk_of(request).season(request)
    return given_out(files_of_results(place).get(str(request.path_params["file"])))


def given_out(path: Path | None) -> Response:
    """A file of a season: pages shut in a room of their own, all else to take home."""
    if path is None or path.suffix not in TYPES:
        raise HTTPException(404)
    if path.suffix == ".html":
        return FileResponse(
            path, media_type=TYPES[".html"], headers={"content-security-policy": RESULT_POLICY}
        )
    return FileResponse(
        path, media_type=TYPES[path.suffix], filename=path.name,
        headers={"content-security-policy": RESULT_POLICY},
    )  # fmt: skip


ROUTES = [
    Route("/season/{season}/results", results),
    Route("/season/{season}/results/{file:path}", result_file),
]
