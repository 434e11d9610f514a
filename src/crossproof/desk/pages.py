"""Pages of the desk: templates filled in, names shown as harmless text."""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from crossproof.desk.checks import Checks
from crossproof.desk.folder import SeasonPlace, SeasonState, find_season, state_of
from crossproof.desk.jobs import Jobs
from crossproof.desk.phone import Phones
from crossproof.desk.security import FORM_KEY, Keys
from crossproof.desk.texts import desk_templates
from crossproof.errors import Problem, error
from crossproof.text import shown


@dataclass
class Desk:
    """One open desk: the chosen folder, its keys, and what works for it."""

    root: Path
    port: int
    cores: int = 2
    keys: Keys = field(default_factory=Keys)
    checks: Checks = field(default_factory=Checks)
    phones: Phones = field(default_factory=Phones)
    closing: asyncio.Event = field(default_factory=asyncio.Event)
    jobs: Jobs = field(init=False)

    def __post_init__(self) -> None:
        self.root = self.root.resolve()
        self.jobs = Jobs(self.cores)

    def season(self, request: Request) -> SeasonPlace:
        """The season that the address names; raises NoSeason."""
        return find_season(self.root, str(request.path_params["season"]))

    def state(self, place: SeasonPlace) -> SeasonState:
        """Where a season stands."""
        return state_of(place, since=self.jobs.since(place))


class Said(StrEnum):
    """What a page says at its top of what was just done; the address names it by its key only."""

    MADE = "The season is made. Its sheets hold an invented example: replace it with your own."
    RECEIVED = "The file was taken in."
    DISCARDED = "The file was put away. Nothing was changed."
    STOPPING = "The run was told to stop. What it has done so far is kept."
    NOT_RUNNING = "No run of this desk was going."
    ANSWERED = "The answer is written. Run the season again to see what it changes."
    UNDONE = "The answer is taken back. Run the season again to see what it changes."
    SAVED = "The sheet is saved. The one before it is kept."
    RESTORED = "The sheet is back as it was before."
    PHONE_ON = "A phone may now read the worklist and tick it."
    PHONE_OFF = "No phone is let in any more."


def desk_of(request: Request) -> Desk:
    """The desk that a request came to."""
    desk: Desk = request.app.state.desk
    return desk


def page(
    request: Request, template: str, status: int = 200, *, outside: bool = False, **context: Any
) -> HTMLResponse:
    """A page from a template; one for whoever is `outside` tells nothing of the desk."""
    desk = desk_of(request)
    said = Said.__members__.get(request.query_params.get("said", ""))
    text = _ENVIRONMENT.get_template(template).render(
        form_name=FORM_KEY,
        form_key="" if outside else desk.keys.form,
        root="" if outside else str(desk.root),
        outside=outside,
        said=said.value if said else "",
        path=request.url.path,
        **context,
    )
    return HTMLResponse(text, status)


def season_page(
    request: Request, template: str, place: SeasonPlace, at: str, status: int = 200, **context: Any
) -> HTMLResponse:
    """A page of a season; `at` is the part of the season it shows."""
    state = context.pop("state", None) or desk_of(request).state(place)
    return page(request, template, status, season=place, state=state, at=at, base=base_of(place), **context)


def base_of(place: SeasonPlace) -> str:
    """Start of the addresses of a season's pages."""
    return f"/season/{quote(place.id, safe='~')}"


def go_to(address: str, said: Said | None = None) -> Response:
    """Send the browser to a page, after something was done."""
    return RedirectResponse(address + (f"?said={said.name}" if said else ""), 303)


def problem_page(
    request: Request,
    status: int,
    title: str,
    problems: list[Problem],
    lead: str = "",
    *,
    outside: bool = False,
) -> Response:
    """The page for what could not be done."""
    name = request.path_params.get("season") if "path_params" in request.scope else None
    back = f"/season/{quote(str(name), safe='~')}" if name and status != 404 else ""
    told = {"title": title, "problems": problems, "lead": lead, "back": back}
    return page(request, "problem.html.j2", status, outside=outside, **told)


def one_problem(sentence: str, remedy: str) -> list[Problem]:
    """A problem that is of no file."""
    return [error("", sentence, remedy)]


_COMMANDS = {
    "run": "run the season (the page Run)",
    "check": "look at the page Problems",
    "receive": "bring the file in (the page Laboratory files)",
    "correct": "the page Findings",
    "new": "make a new season",
}
_COMMAND = re.compile(r"crossproof (run|check|receive|correct|new)\b(?: (?:'(?:[^']|'\"'\"')*'|[^\s'.,;]+))?")


_OPTIONS = (
    (re.compile(r",? with --(?:marker-)?names LIST"), " below"),
    (re.compile(r"--missing (\S+)"), r"\1 is a code for no call"),
    (re.compile(r": --ignore HEADING"), " below"),
    (re.compile(r" Or dismiss it: --dismiss WHY"), " Or dismiss it with a reason."),
    (re.compile(r"add the proposed rows? to corrections\.csv"), 'answer "It is so"'),
    (re.compile(r"Proposed for corrections\.csv:"), "Proposed on the page Findings:"),
    (
        re.compile(r"once it is filled in, write in config\.yaml:"),
        "once it is filled in, send it in place of the crosses on the page Sheets.",
    ),
    (re.compile(r"--keep-back (\d+) keeps"), r"Seeds never sown: \1, keeps"),
    (re.compile(r"Choose another with --batch"), "Choose another below"),
)


def for_desk(text: object) -> str:
    """A sentence that was written for the terminal, with the desk's pages in place of commands."""
    told = _COMMAND.sub(lambda m: _COMMANDS[m.group(1)], str(text))
    for option, words in _OPTIONS:
        told = option.sub(words, told)
    return told


def _environment() -> Environment:
    environment = desk_templates()
    environment.filters["told"] = lambda text: shown(for_desk(text))
    environment.filters["shown_lines"] = lambda text: "\n".join(shown(t) for t in str(text).splitlines())
    return environment


_ENVIRONMENT = _environment()
