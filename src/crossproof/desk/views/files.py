"""Files of the laboratory: brought in, looked at, settled with a person, taken into the season."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.faults import Refused
from crossproof.desk.folder import SeasonPlace
from crossproof.desk.memory import config_of
from crossproof.desk.pages import Said, base_of, desk_of, go_to, season_page
from crossproof.desk.uploads import (
    files_of,
    form_of,
    keep,
    keep_beside,
    kept_beside,
    put_away,
    text_of,
    texts_of,
    waiting,
    waiting_file,
)
from crossproof.errors import InputError, PlateError, Problem
from crossproof.receive.questions import Options, Unclear
from crossproof.receive.receive import Receipt, receive
from crossproof.season.work_folder import season_lock

MOST_TEXT = 200
MOST_CODES = 50
ONE = ("batch", "sheet", "layout", "plate", "counted_allele", "strand", "alleles")
"""Answers that are one text."""
SEVERAL = ("missing", "ignore_columns")
"""Answers of which there may be several."""
LISTS = ("names", "marker_names")
"""Answers that are a file."""
_OF_OPTION = {"--ignore": "ignore_columns"}
QUESTIONS = {
    "batch": "Which batch of your sheets of wells is this file?",
    "sheet": "Which sheet of the workbook holds the calls?",
    "layout": "How is the table laid out?",
    "plate": "Which of your plates is this?",
    "counted_allele": "Which allele do the counts 0, 1, 2 count?",
    "strand": "Which strand are the bases of this file on?",
    "alleles": "Do the letters name bases, or are A and B (1 and 2) only names of alleles?",
    "missing": "Which of these codes mean that there is no call?",
    "ignore_columns": "Which columns hold no calls?",
    "names": "A list of two columns: the laboratory's sample names and yours",
    "marker_names": "A list of two columns: the laboratory's marker names and yours",
}
CHOICES = {
    ("layout", "wide"): "One row per sample, one column per marker",
    ("layout", "wide-by-marker"): "One row per marker, one column per sample",
    ("layout", "long"): "One row per call",
    ("counted_allele", "first"): "The first allele of each marker in markers.csv",
    ("counted_allele", "second"): "The second allele of each marker in markers.csv",
    ("strand", "other"): "The laboratory wrote the whole file on the other strand",
    ("strand", "same"): "Leave each marker to what its bases prove",
    ("alleles", "named"): "They name bases",
    ("alleles", "generic"): "They are names within this file only",
}


@dataclass(frozen=True)
class Question:
    """What is asked of a person: the option it settles, and the likely answers."""

    option: str
    words: str
    problems: tuple[Problem, ...]
    choices: tuple[tuple[str, str], ...] = ()
    several: bool = False
    file: bool = False


@dataclass(frozen=True)
class Looked:
    """What looking at a file gave: a receipt, a question, or what is wrong with it."""

    receipt: Receipt | None = None
    question: Question | None = None
    problems: tuple[Problem, ...] = ()


def overview(request: Request) -> Response:
    """Files that wait, those of the season, and the place to bring one in."""
    place = desk_of(request).season(request)
    return _overview(request, place)


def _overview(request: Request, place: SeasonPlace, status: int = 200, fault: str = "") -> Response:
    problems: tuple[Problem, ...] = ()
    there: Sequence[tuple[str, str]] = ()
    try:
        config = config_of(place)
        there = [(g.batch, g.path) for g in config.genotypes]
    except InputError as refused:
        problems = refused.problems
    return season_page(
        request, "files.html.j2", place, "files", status, waiting=waiting(place), there=there,
        problems=problems, fault=fault,
    )  # fmt: skip


async def bring(request: Request) -> Response:
    """Keep the files that were sent, and look at the first of them."""
    desk = desk_of(request)
    place = desk.season(request)
    async with form_of(request, files=True) as form:
        sent = files_of(form, "file")
        keys = [await keep(place, file) for file in sent]
    if not keys:
        return await run_in_threadpool(
            _overview, request, place, 422, "No file was chosen. Choose one, then press the button."
        )
    where = f"{base_of(place)}/files"
    return go_to(f"{where}/{keys[0]}" if len(keys) == 1 else where)


def look(request: Request) -> Response:
    """What was understood of a waiting file, or what is asked."""
    place = desk_of(request).season(request)
    file = waiting_file(place, str(request.path_params["key"]))
    params = request.query_params
    options = options_of(params.getlist, file)
    return _looked(request, place, file, options)


def _looked(
    request: Request, place: SeasonPlace, file: Path, options: Options, status: int = 200
) -> Response:
    looked = look_at(place, file, options)
    return season_page(
        request, "received.html.j2", place, "files", status, file=file, key=file.parent.name, looked=looked,
        answers=answers_of(options), can_name=("names", "marker_names"), questions=QUESTIONS,
        list_kept=kept_beside(file, "names") is not None,
    )  # fmt: skip


async def take(request: Request) -> Response:
    """Take a waiting file into the season, or put it away, or keep a list with it."""
    desk = desk_of(request)
    place = desk.season(request)
    file = waiting_file(place, str(request.path_params["key"]))
    here = f"{base_of(place)}/files/{file.parent.name}"
    async with form_of(request, files=True) as form:
        options = options_of(lambda name: texts_of(form, name), file)
        what = text_of(form, "what")
        if what == "list":
            of = text_of(form, "of")
            sent = files_of(form, "list")
            if of not in LISTS or not sent:
                raise Refused(422, "No list was chosen.", "Go back, choose a file, and send it again.")
            await run_in_threadpool(keep_beside, file, of, sent[0])
            given = urlencode(answers_of(options))
            return go_to(f"{here}?{given}" if given else here)
    if what == "away":
        await run_in_threadpool(put_away, file)
        return go_to(f"{base_of(place)}/files", Said.DISCARDED)
    await run_in_threadpool(_take, place, file, options)
    await run_in_threadpool(put_away, file)
    return go_to(f"{base_of(place)}/problems", Said.RECEIVED)


def _take(place: SeasonPlace, file: Path, options: Options) -> Receipt:
    with season_lock(place.folder):
        return receive(place.path, file, options)


def look_at(place: SeasonPlace, file: Path, options: Options) -> Looked:
    """Understand a file as far as it goes without a person; nothing is written."""
    try:
        return Looked(receipt=receive(place.path, file, options, dry_run=True))
    except Unclear as unclear:
        return Looked(question=question_of(unclear))
    except (InputError, PlateError) as refused:
        return Looked(problems=refused.problems)


def question_of(unclear: Unclear) -> Question:
    """The question of a person that an unclear file asks."""
    name = _OF_OPTION.get(unclear.option, unclear.option.removeprefix("--").replace("-", "_"))
    return Question(
        name,
        QUESTIONS.get(name, ""),
        unclear.problems,
        tuple((c, CHOICES.get((name, c), c)) for c in unclear.choices),
        name in SEVERAL,
        name in LISTS,
    )


def options_of(given: Callable[[str], Sequence[str]], file: Path) -> Options:
    """The answers so far, as the form or the address has them, and the lists kept with the file."""
    said: dict[str, Any] = {}
    for name in (*ONE, *SEVERAL):
        texts = [t.strip()[:MOST_TEXT] for t in given(name) if t.strip()]
        if texts:
            said[name] = tuple(dict.fromkeys(texts))[:MOST_CODES] if name in SEVERAL else texts[-1]
    for name in LISTS:
        if (kept := kept_beside(file, name)) is not None:
            said[name] = kept
    return Options(**said)


def answers_of(options: Options) -> list[tuple[str, str]]:
    """The answers so far as pairs for a form or an address; lists are kept with the file."""
    pairs = [(name, str(getattr(options, name))) for name in ONE if getattr(options, name)]
    return [*pairs, *((name, text) for name in SEVERAL for text in getattr(options, name))]


ROUTES = [
    Route("/season/{season}/files", overview),
    Route("/season/{season}/files", bring, methods=["POST"]),
    Route("/season/{season}/files/{key}", look),
    Route("/season/{season}/files/{key}", take, methods=["POST"]),
]
