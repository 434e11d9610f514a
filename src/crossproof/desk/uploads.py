"""What a browser sends: forms with their key, files limited in size and number, kept as they are.

A file that comes in waits in the season's hidden folder under its own name made harmless, until a person has
said what becomes of it. It is only ever read as data.
"""

from __future__ import annotations

import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from enum import StrEnum
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException
from starlette.requests import Request
from starlette.types import Message

from crossproof.desk.faults import Refused
from crossproof.desk.folder import SeasonPlace
from crossproof.desk.pages import desk_of
from crossproof.desk.security import FORM_KEY

MOST_BYTES = 2_000_000_000
"""Of one form with its files."""
MOST_FORM_BYTES = 20_000_000
"""Of one form without files: a table typed in."""
MOST_FILES = 20
MOST_FIELDS = 60_000
MOST_WAITING = 40
"""Files of one season that may wait."""
OLD_SECONDS = 14 * 24 * 3600
"""Age at which a file that nobody took in is put away."""
MOST_NAME = 120
_KEY = re.compile(r"[0-9a-f]{16}")


@asynccontextmanager
async def form_of(request: Request, *, files: bool = False) -> AsyncIterator[FormData]:
    """The form of a request, once its key is found right; raises Refused."""
    most = MOST_BYTES if files else MOST_FORM_BYTES
    too_large = Refused(
        413, f"More than {most // 1_000_000:,} MB came at once.", "Send fewer or smaller files at a time."
    )
    length = request.headers.get("content-length", "")
    if length.isdigit() and int(length) > most:
        raise too_large
    given = request.receive
    seen = 0

    async def limited() -> Message:
        nonlocal seen
        message = await given()
        seen += len(message.get("body", b""))
        if seen > most:
            raise too_large
        return message

    counted = Request(request.scope, limited)
    try:
        form = await counted.form(
            max_files=MOST_FILES if files else 0, max_fields=MOST_FIELDS, max_part_size=1_000_000
        )
    except MultiPartException as fault:
        raise Refused(400, f"The form cannot be read: {fault.message}", "Go back and try again.") from None
    except Exception as fault:
        if "max" in str(fault).lower() or "Too many" in str(fault):
            raise Refused(400, f"The form cannot be read: {fault}", "Go back and try again.") from None
        raise
    try:
        if not desk_of(request).keys.is_form(text_of(form, FORM_KEY)):
            raise Refused(
                403, "The form is not one of this desk's pages.", "Load the page again and send it once more."
            )
        yield form
    finally:
        await form.close()


def text_of(form: FormData, name: str) -> str:
    """A field's text; "" where it is missing or a file."""
    value = form.get(name)
    return value if isinstance(value, str) else ""


def texts_of(form: FormData, name: str) -> list[str]:
    """All texts of a field that may come several times."""
    return [v for v in form.getlist(name) if isinstance(v, str)]


def files_of(form: FormData, name: str) -> list[UploadFile]:
    """The files of a field, those that a browser sends for an empty field left out."""
    return [f for f in form.getlist(name) if isinstance(f, UploadFile) and f.filename]


def harmless_name(given: str) -> str:
    """A file's name without folders and without signs that anything acts on; never empty, never hidden."""
    name = unicodedata.normalize("NFC", given.replace("\\", "/").rpartition("/")[2])
    name = re.sub(r"[^\w.() +-]", "_", name).strip(" .")
    stem, dot, ending = name.rpartition(".")
    if len(name.encode()) > MOST_NAME:
        keep = (stem or ending).encode()[: MOST_NAME - 20].decode("utf-8", "ignore")
        name = f"{keep}.{ending[:10]}" if dot else keep
    return name or "file"


class Box(StrEnum):
    """Where a file waits: those of the laboratory, and sheets."""

    LABORATORY = "inbox"
    SHEETS = "sheets"


def _inbox(season: SeasonPlace, box: Box) -> Path:
    return season.folder.hidden / "desk" / box.value


async def keep(season: SeasonPlace, file: UploadFile, box: Box = Box.LABORATORY) -> str:
    """Put a file that came in where it waits; returns the key by which it is found again."""
    return await run_in_threadpool(_keep, season, file, box)


def _keep(season: SeasonPlace, file: UploadFile, box: Box) -> str:
    inbox = _inbox(season, box)
    inbox.mkdir(parents=True, exist_ok=True)
    _clear_old(inbox)
    if sum(1 for _ in inbox.iterdir()) >= MOST_WAITING:
        raise Refused(409, f"{MOST_WAITING} files wait already.", "Take in or put away some of them first.")
    key = secrets.token_hex(8)
    room = inbox / key
    room.mkdir()
    try:
        with (room / harmless_name(file.filename or "")).open("xb") as out:
            shutil.copyfileobj(file.file, out, 1 << 20)
    except BaseException:
        shutil.rmtree(room, ignore_errors=True)
        raise
    return key


def waiting(season: SeasonPlace) -> list[tuple[str, Path]]:
    """Key and file of whatever of the laboratory waits, in the order of its coming."""
    try:
        rooms = sorted(_inbox(season, Box.LABORATORY).iterdir(), key=lambda p: p.stat().st_mtime_ns)
    except FileNotFoundError:
        return []
    return [(room.name, file) for room in rooms if (file := _file_in(room)) is not None]


def waiting_file(season: SeasonPlace, key: str, box: Box = Box.LABORATORY) -> Path:
    """The file of a key; raises Refused where nothing waits under it."""
    file = _file_in(_inbox(season, box) / key) if _KEY.fullmatch(key) else None
    if file is None:
        raise Refused(
            404, "This file waits no longer.", "It was taken in or put away. Send it again if you want it."
        )
    return file


def keep_beside(file: Path, what: str, sent: UploadFile) -> None:
    """Keep a list that belongs to a waiting file."""
    room = file.parent / what
    shutil.rmtree(room, ignore_errors=True)
    room.mkdir()
    with (room / harmless_name(sent.filename or "")).open("xb") as out:
        shutil.copyfileobj(sent.file, out, 1 << 20)


def kept_beside(file: Path, what: str) -> Path | None:
    """The list that was kept with a waiting file."""
    return _file_in(file.parent / what)


def put_away(file: Path) -> None:
    """Delete a waiting file and what was kept with it."""
    shutil.rmtree(file.parent, ignore_errors=True)


def _file_in(room: Path) -> Path | None:
    if not room.is_dir() or room.is_symlink():
        return None
    return next((p for p in sorted(room.iterdir()) if p.is_file() and not p.is_symlink()), None)


def _clear_old(inbox: Path) -> None:
    for room in inbox.iterdir():
        if time.time() - room.stat().st_mtime > OLD_SECONDS:
            shutil.rmtree(room, ignore_errors=True)
