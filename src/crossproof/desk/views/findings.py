"""Findings of the plate checks, answered by a person: it is so, it is not so, taken back."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.faults import Refused
from crossproof.desk.folder import SeasonPlace
from crossproof.desk.memory import findings_of, remembered
from crossproof.desk.pages import Said, base_of, desk_of, go_to, season_page
from crossproof.desk.sheets import SheetKind, SheetPlace, rows_of, sheets_of
from crossproof.desk.uploads import form_of, text_of
from crossproof.errors import InputError, Problem
from crossproof.io.files.atomic import write_bytes
from crossproof.io.sheets.headings import heading_key
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Finding
from crossproof.season.answers import STANDARD
from crossproof.season.work_folder import season_lock
from crossproof.steps.correct import plan_answer, write_answer

MOST_REASON = 300


@dataclass(frozen=True)
class FindingShown:
    """A finding, its rows for corrections.csv, and whether it was answered since the run."""

    finding: Finding
    rows: tuple[str, ...]
    answered: bool


@dataclass(frozen=True)
class AnswerShown:
    """A row of corrections.csv: its place in the sheet, and what it says."""

    at: int
    row: int
    words: str
    note: str


@dataclass(frozen=True)
class Answers:
    """The answers given so far; `sheet` is None where there are none, `digest` of its bytes."""

    sheet: SheetPlace | None
    digest: str
    rows: tuple[AnswerShown, ...]
    keys: frozenset[tuple[str, ...]]


@dataclass(frozen=True)
class Proposed:
    """What "it is so" would write: sentences on what changes, the rows, and their file."""

    words: tuple[str, ...]
    rows: tuple[str, ...]
    file: str


def findings(request: Request) -> Response:
    """All findings that ask something of somebody, and the answers given so far."""
    place = desk_of(request).season(request)
    found: tuple[Finding, ...] = ()
    problems: tuple[Problem, ...] = ()
    answers = Answers(None, "", (), frozenset())
    checked = place.folder.work("examine.json").exists()
    try:
        answers = answers_of(place)
        if checked:
            found = findings_of(place)
    except InputError as refused:
        problems = refused.problems
    shown = [
        FindingShown(f, tuple(c.sentence() for c in f.corrections), _answered(f, answers)) for f in found
    ]
    shown.sort(key=lambda s: (s.answered, not s.finding.critical))
    return season_page(
        request, "findings.html.j2", place, "findings", findings=shown, problems=problems, answers=answers,
        examined=checked, quoted=lambda name: urlencode({"finding": name}),
    )  # fmt: skip


def answers_of(place: SeasonPlace) -> Answers:
    """The rows of the season's corrections.csv."""
    sheet = next((s for s in sheets_of(place) if s.kind is SheetKind.ANSWERS), None)
    if sheet is None:
        path = place.path / STANDARD
        if not path.exists():
            return Answers(None, "", (), frozenset())
        sheet = SheetPlace(STANDARD, path, SheetKind.ANSWERS)
    data = sheet.bytes()
    rows = rows_of(sheet, data) if data else None
    if rows is None:
        return Answers(sheet, "", (), frozenset())
    keys = [heading_key(h) for h in rows.sheet.headings]
    shown, known = [], set()
    for at, cells in enumerate(rows.sheet.rows):
        row = dict(zip(keys, cells, strict=True))
        texts = [row.get(k, "") for k in ("kind", "target", "other", "detail")]
        if any(texts):
            known.add(_key(*texts))
            words = " | ".join(t for t in texts if t)
            shown.append(AnswerShown(at, rows.sheet.row_numbers[at], words, row.get("note", "")))
    return Answers(sheet, hashlib.sha256(data).hexdigest()[:32], tuple(shown), frozenset(known))


def _key(*texts: str) -> tuple[str, ...]:
    return tuple(" ".join(t.casefold().split()) for t in texts)


def _answered(finding: Finding, answers: Answers) -> bool:
    dismissed = _key(CorrectionKind.DISMISS.value, finding.subject, "", finding.kind.value)
    proposed = [_key(c.kind.value, c.target, c.other, c.detail) for c in finding.corrections]
    return dismissed in answers.keys or (bool(proposed) and all(k in answers.keys for k in proposed))


def finding(request: Request) -> Response:
    """One finding: what "it is so" would change, and the reason that "it is not so" needs."""
    place = desk_of(request).season(request)
    return _finding(request, place, request.query_params.get("finding", ""))


def _finding(
    request: Request, place: SeasonPlace, name: str, status: int = 200, problems: tuple[Problem, ...] = ()
) -> Response:
    found = next((f for f in findings_of(place) if f.name == name), None)
    if found is None:
        raise HTTPException(404)
    proposed = Proposed((), (), "")
    try:
        if found.corrections:
            examined = place.folder.work("examine.json")
            proposed = remembered(place, f"answer {name}", (examined,), lambda: _proposed(place, name))
    except InputError as refused:
        problems = problems or refused.problems
    return season_page(
        request, "finding.html.j2", place, "findings", status, finding=found, problems=problems,
        words=proposed.words, rows=proposed.rows, file=proposed.file,
    )  # fmt: skip


def _proposed(place: SeasonPlace, name: str) -> Proposed:
    answer = plan_answer(place.path, name)
    return Proposed(tuple(answer.words()), tuple(r.sentence() for r in answer.rows), answer.file())


async def answer(request: Request) -> Response:
    """Write the answer to a finding."""
    place = desk_of(request).season(request)
    async with form_of(request) as form:
        name, what = text_of(form, "finding"), text_of(form, "what")
        reason = " ".join(text_of(form, "reason").split())[:MOST_REASON]
    if what not in ("so", "not"):
        raise Refused(422, "No answer was given.", "Go back and use one of the buttons.")

    def write() -> None:
        write_answer(plan_answer(place.path, name, reason if what == "not" else None))

    try:
        await run_in_threadpool(write)
    except InputError as refused:
        return await run_in_threadpool(_finding, request, place, name, 422, refused.problems)
    return go_to(f"{base_of(place)}/findings", Said.ANSWERED)


async def undo(request: Request) -> Response:
    """Take an answer back: its row is taken out of corrections.csv."""
    place = desk_of(request).season(request)
    async with form_of(request) as form:
        at, digest = text_of(form, "at"), text_of(form, "digest")
    await run_in_threadpool(_undo, place, at, digest)
    return go_to(f"{base_of(place)}/findings", Said.UNDONE)


def _undo(place: SeasonPlace, at: str, digest: str) -> None:
    with season_lock(place.folder):
        answers = answers_of(place)
        if (
            answers.sheet is None
            or answers.digest != digest
            or int(at or -1) not in [r.at for r in answers.rows]
        ):
            raise Refused(
                409, "The answers were changed meanwhile; nothing was taken back.",
                "Look at the list again, and take back what is still there.",
            )  # fmt: skip
        data = answers.sheet.bytes()
        rows = rows_of(answers.sheet, data)
        assert rows is not None
        write_bytes(answers.sheet.path, rows.changed({}, (), {int(at)}))


ROUTES = [
    Route("/season/{season}/findings", findings),
    Route("/season/{season}/findings/answer", finding),
    Route("/season/{season}/findings/answer", answer, methods=["POST"]),
    Route("/season/{season}/findings/undo", undo, methods=["POST"]),
]
