"""The desk as an application: its addresses, its guard, and the pages for what goes wrong."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from crossproof.desk.faults import NoSeason, Refused
from crossproof.desk.pages import Desk, one_problem, problem_page
from crossproof.desk.security import Guard, Tickets, cookie_name
from crossproof.desk.texts import own_text, style_text
from crossproof.desk.views import (
    field,
    files,
    findings,
    home,
    phone,
    problems,
    results,
    runs,
    sheets,
    years,
)
from crossproof.errors import BusyError, CrossproofError, InputError, PlateError, machine_problem


def make_app(
    desk: Desk, *, tickets: Tickets | None = None, on_request: Callable[[], None] = lambda: None
) -> Guard:
    """The application of a desk, behind its guard."""
    tickets = tickets or Tickets()

    def let_in(request: Request) -> Response:
        key = str(request.path_params["key"])
        if not (desk.keys.opens(key) or tickets.take(key)):
            return _not_let_in(request)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            cookie_name(desk.port), desk.keys.session, httponly=True, samesite="strict", path="/"
        )
        return answer

    app = Starlette(
        routes=[
            Route("/open/{key}", let_in),
            Route("/static/desk.css", _style),
            Route("/static/desk.js", _script),
            *home.ROUTES,
            *files.ROUTES,
            *problems.ROUTES,
            *runs.ROUTES,
            *results.ROUTES,
            *findings.ROUTES,
            *sheets.ROUTES,
            *field.ROUTES,
            *years.ROUTES,
            *phone.ROUTES,
        ],
        exception_handlers={
            NoSeason: _no_season,
            HTTPException: _http_fault,
            Refused: _refused,
            BusyError: _busy,
            CrossproofError: _known_fault,
            OSError: _machine_fault,
            Exception: _fault,
        },
    )
    app.state.desk = desk

    return Guard(app, keys=desk.keys, port=desk.port, refuse=partial(_refusal, app), on_request=on_request)


def _refusal(app: Starlette, status: int, sentence: str) -> ASGIApp:
    """What answers a request that the guard does not let through."""

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        scope["app"] = app
        request = Request(scope)
        response = (
            _not_let_in(request)
            if status == 401
            else problem_page(
                request, status, "Not answered",
                one_problem(sentence, "Open the desk by the address that its terminal shows."),
                outside=True,
            )
        )  # fmt: skip
        await response(scope, receive, send)

    return answer


def _not_let_in(request: Request) -> Response:
    return problem_page(
        request, 401, "This browser has not been let in",
        one_problem(
            "The desk answers only the browser that opened it.",
            "Open it by the address in the window where crossproof desk was started; after a new start the "
            "address is a new one.",
        ),
        outside=True,
    )  # fmt: skip


def _style(request: Request) -> Response:
    return Response(style_text(), media_type="text/css", headers={"cache-control": "private, max-age=600"})


def _script(request: Request) -> Response:
    return Response(
        own_text("desk.js"), media_type="text/javascript", headers={"cache-control": "private, max-age=600"}
    )


async def _no_season(request: Request, fault: Exception) -> Response:
    return problem_page(
        request, 404, "No such season",
        one_problem("There is no season of this name in the folder.", "Choose one from the list of seasons."),
    )  # fmt: skip


async def _http_fault(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, HTTPException)
    sentence, remedy = {
        404: ("There is no such page.", "Choose one from the list of seasons."),
        405: ("This page cannot be asked for in this way.", "Go back and use the button."),
    }.get(fault.status_code, (str(fault.detail), "Go back and try again."))
    return problem_page(request, fault.status_code, "Not found", one_problem(sentence, remedy))


async def _refused(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, Refused)
    return problem_page(request, fault.status, "Not taken", one_problem(fault.sentence, fault.remedy))


async def _busy(request: Request, fault: Exception) -> Response:
    return problem_page(
        request, 409, "A run is working on this season",
        one_problem("Nothing was changed.", "Wait until the run has ended, or stop it, and try again."),
    )  # fmt: skip


async def _known_fault(request: Request, fault: Exception) -> Response:
    if isinstance(fault, InputError | PlateError):
        return problem_page(request, 422, "This cannot be done yet", list(fault.problems))
    return await _fault(request, fault)


async def _machine_fault(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, OSError)
    problem = machine_problem(fault)
    if problem is None:
        return await _fault(request, fault)
    status = 507 if fault.errno in (28, 122) else 500
    return problem_page(
        request, status, "This machine would not write", [problem],
        "Whatever was not written whole was not written at all; what was there before is still there.",
    )  # fmt: skip


async def _fault(request: Request, fault: Exception) -> Response:
    import traceback

    traceback.print_exception(fault)
    return problem_page(
        request, 500, "An internal error",
        one_problem(
            f"This should not happen: {type(fault).__name__}: {fault}",
            "Your files are as they were. Please report it, with what you did before.",
        ),
    )  # fmt: skip
