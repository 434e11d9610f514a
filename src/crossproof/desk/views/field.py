"""What is printed and carried: tags, book, plates, labels, the plan; and what was ticked."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.commands import Carried, carry_out, command_named, commands_for, printed, words_of
from crossproof.desk.folder import SeasonPlace
from crossproof.desk.pages import desk_of, season_page
from crossproof.desk.sheets import PLANNED
from crossproof.desk.uploads import form_of
from crossproof.desk.views.results import TYPES, given_out


def overview(request: Request) -> Response:
    """All that can be made, and what was made."""
    return _overview(request, desk_of(request).season(request))


def _overview(
    request: Request, place: SeasonPlace, carried: Carried | None = None, status: int = 200
) -> Response:
    made = [name for name, path in printed(place).items() if path.suffix in TYPES]
    return season_page(
        request, "field.html.j2", place, "field", status, commands=commands_for(place), carried=carried,
        made=made, planned=(place.path / PLANNED).exists(),
    )  # fmt: skip


async def make(request: Request) -> Response:
    """Carry out a command and show what it said."""
    place = desk_of(request).season(request)
    command = command_named(place, str(request.path_params["command"]))
    async with form_of(request) as form:
        words = words_of(command, [(k, v) for k, v in form.items() if isinstance(v, str)])
    carried = await run_in_threadpool(carry_out, place, command, words)
    status = 200 if carried.status in (0, 1) else 422
    return await run_in_threadpool(_overview, request, place, carried, status)


def file(request: Request) -> Response:
    """One file that was made."""
    place = desk_of(request).season(request)
    return given_out(printed(place).get(str(request.path_params["file"])))


ROUTES = [
    Route("/season/{season}/field", overview),
    Route("/season/{season}/field/make/{command}", make, methods=["POST"]),
    Route("/season/{season}/field/file/{file}", file),
]
