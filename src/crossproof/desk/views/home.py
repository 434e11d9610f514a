"""The seasons of the folder, a new one, and the page of one season."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.folder import SeasonPlace, place_for, seasons_in
from crossproof.desk.pages import Said, base_of, desk_of, go_to, page, season_page
from crossproof.desk.uploads import form_of, text_of, waiting
from crossproof.errors import InputError
from crossproof.season.templates import new_season


def seasons(request: Request) -> Response:
    """All seasons of the folder, and where each stands."""
    desk = desk_of(request)
    found = [(s, desk.state(s), base_of(s)) for s in seasons_in(desk.root)]
    itself = len(found) == 1 and found[0][0].path == desk.root
    return page(request, "seasons.html.j2", seasons=found, itself=itself, name="", problems=[])


async def make_season(request: Request) -> Response:
    """Write a new season folder."""
    desk = desk_of(request)
    async with form_of(request) as form:
        name = text_of(form, "name")
    try:
        path = place_for(desk.root, name)
        await run_in_threadpool(new_season, path)
    except InputError as refused:
        found = [(s, desk.state(s), base_of(s)) for s in seasons_in(desk.root)]
        problems = list(refused.problems)
        return page(
            request, "seasons.html.j2", 422, seasons=found, itself=False, name=name, problems=problems
        )
    return go_to(base_of(SeasonPlace(path.name, path.name, path)), Said.MADE)


def season(request: Request) -> Response:
    """One season: where it stands and what comes next."""
    desk = desk_of(request)
    place = desk.season(request)
    state = desk.state(place)
    checked = None if state.standing.name == "RUNNING" else desk.checks.of(place)
    return season_page(
        request, "season.html.j2", place, "overview", state=state, checked=checked, waiting=waiting(place)
    )


async def close(request: Request) -> Response:
    """Close the desk; runs of its own are told to stop."""
    async with form_of(request):
        pass
    desk = desk_of(request)
    desk.closing.set()
    return page(request, "closed.html.j2")


ROUTES = [
    Route("/", seasons),
    Route("/close", close, methods=["POST"]),
    Route("/seasons", make_season, methods=["POST"]),
    Route("/season/{season}", season),
]
