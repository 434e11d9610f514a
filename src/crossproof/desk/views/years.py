"""Seasons side by side."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.folder import find_season, seasons_in
from crossproof.desk.pages import desk_of, go_to, page
from crossproof.desk.uploads import form_of, texts_of
from crossproof.desk.views.results import given_out
from crossproof.errors import InputError
from crossproof.report.draw.years_page import YEARS_FILES
from crossproof.steps.years import compare_seasons

FOLDER = "years"
"""Folder beside the seasons that the page and its tables go to."""


def years(request: Request) -> Response:
    """Which seasons to compare, and the last comparison."""
    return _years(request)


def _years(
    request: Request, status: int = 200, problems: tuple[object, ...] = (), chosen: tuple[str, ...] = ()
) -> Response:
    desk = desk_of(request)
    found = [(s, desk.state(s)) for s in seasons_in(desk.root)]
    there = [name for name in YEARS_FILES if (desk.root / FOLDER / name).is_file()]
    return page(
        request, "years.html.j2", status, seasons=found, there=there, problems=problems, chosen=chosen
    )


async def compare(request: Request) -> Response:
    """Compare the seasons that were chosen."""
    desk = desk_of(request)
    async with form_of(request) as form:
        chosen = tuple(dict.fromkeys(texts_of(form, "season")))
    folders = [find_season(desk.root, name).path for name in chosen]
    try:
        await run_in_threadpool(compare_seasons, folders, desk.root / FOLDER)
    except InputError as refused:
        return await run_in_threadpool(_years, request, 422, refused.problems, chosen)
    return go_to("/years")


def file(request: Request) -> Response:
    """The page or a table of the comparison."""
    folder = desk_of(request).root / FOLDER
    name = str(request.path_params["file"])
    path = folder / name
    known = name in YEARS_FILES and path.is_file() and not path.is_symlink() and not folder.is_symlink()
    return given_out(path if known else None)


ROUTES = [
    Route("/years", years),
    Route("/years", compare, methods=["POST"]),
    Route("/years/file/{file}", file),
]
