"""Lines of VCF records as a table of cells; lines that are no such row, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from crossproof.io.problems import Problems
from crossproof.io.vcf.header import VcfHeader
from crossproof.model.arrays import Bools, Ints, UInt8s

_TAB, _LF, _CR = 9, 10, 13
_TOGETHER = 1 << 18
"""Bytes searched at a time: what is found stays in the processor's cache."""
_ALLOWED = bytes(range(32, 256)) + b"\t"
_CHUNK = 3 << 20


class WholeLines:
    """Chunks of whole lines, of some 3 MiB or a piece more, of text that comes in pieces of any size.

    In the end, `rest` is what follows the last line break, and `too_long` says that the text was left off
    within a line of more than `most` bytes.
    """

    def __init__(self, pieces: Iterable[bytes], *, most: int) -> None:
        self._pieces, self._most = pieces, most
        self.rest, self.too_long = b"", False

    def __iter__(self) -> Iterator[bytes]:
        held: list[bytes] = []
        size = whole = cut = 0  # bytes held; the pieces, and bytes of the one after, that are whole lines
        for piece in self._pieces:
            held.append(piece)
            size += len(piece)
            if end := piece.rfind(b"\n") + 1:
                whole, cut = len(held) - 1, end
            if not cut:
                self.too_long = size > self._most
                if self.too_long:
                    return
            elif size >= _CHUNK:
                chunk, held = _split(held, whole, cut)
                size, whole, cut = sum(map(len, held)), 0, 0
                yield chunk
        if cut:
            chunk, held = _split(held, whole, cut)
            yield chunk
        self.rest = b"".join(held)


def _split(held: list[bytes], whole: int, cut: int) -> tuple[bytes, list[bytes]]:
    """So many whole pieces and bytes of the next, joined, and the pieces that are left.

    It is one copy of all of them, since copying is a good part of what reading takes.
    """
    return b"".join([*held[:whole], memoryview(held[whole])[:cut]]), [held[whole][cut:], *held[whole + 1 :]]


def cell_ends(
    data: bytes, line: int, header: VcfHeader, problems: Problems, *, known_lines: bool
) -> tuple[bytes, Ints, Ints]:
    """Sound lines of a chunk, the byte that ends each cell (record, column), and the lines' numbers.

    `line`: number of the first line. Other lines are left out and go to `problems`, by their row where
    `known_lines`.
    """
    width = len(header.samples) + 9 + header.crlf
    marks, sound = _marks(data, width, header.crlf)
    numbers = np.arange(line, line + len(marks) // width)
    if not sound:
        lines = data.split(b"\n")[:-1]
        good = [
            i
            for i, text in enumerate(lines)
            if _is_sound(text, header, problems, line + i if known_lines else None)
        ]
        data, numbers = b"".join(lines[i] + b"\n" for i in good), line + np.array(good, dtype=np.int64)
        marks, sound = _marks(data, width, header.crlf)
        assert sound
    return data, marks.reshape(-1, width), numbers


def places(buffer: UInt8s, wanted: Callable[[UInt8s], Bools]) -> Ints:
    """Places of wanted bytes, ascending."""
    starts = range(0, len(buffer), _TOGETHER)
    found = [np.flatnonzero(wanted(buffer[at : at + _TOGETHER])) + at for at in starts]
    return np.concatenate(found) if found else np.empty(0, dtype=np.int64)


def _marks(data: bytes, width: int, crlf: bool) -> tuple[Ints, bool]:
    """Places of bytes below 32, and whether they are the ends of cells and lines alone."""
    buffer: UInt8s = np.frombuffer(data, dtype=np.uint8)
    marks = places(buffer, lambda part: part < 32)
    if len(marks) % width:
        return marks, False
    kinds = buffer[marks].reshape(-1, width)
    tabs = width - 1 - crlf
    sound = bool((kinds[:, :tabs] == _TAB).all() and (kinds[:, -1] == _LF).all())
    if sound and crlf:
        table = marks.reshape(-1, width)
        sound = bool((kinds[:, tabs] == _CR).all() and (table[:, -1] == table[:, -2] + 1).all())
    return marks, sound


def _is_sound(text: bytes, header: VcfHeader, problems: Problems, row: int | None) -> bool:
    """Whether a line, without its LF, is a row of the table; what is wrong with it is noted."""
    body = text.removesuffix(b"\r") if header.crlf else text
    width = len(header.samples) + 9
    have = body.count(b"\t") + 1
    column = ""
    shown = b""
    if header.crlf and body is text:
        why = "This line ends in LF while others end in CR LF: two files seem to be pasted together."
        remedy = "Export the file again, or convert it throughout (dos2unix)."
    elif b"\r" in body:
        why = "The line holds a carriage return (CR) that is not part of its line end."
        remedy = "Convert the whole file to LF line ends (dos2unix), or export it again."
    elif not body.strip():
        why, remedy = "The line is empty.", "Remove it; a VCF file may not hold empty lines."
    elif body.startswith(b"#"):
        why = "There is a header line among the records: two files seem to be joined end to end."
        remedy = "Give them as two batches, or merge them with a VCF tool."
        shown = body[:40]
    elif bad := body.translate(None, _ALLOWED):
        why = f"The line holds a control character (code {bad[0]})."
        remedy = "The file is damaged; copy it again from where it was made."
        column = f"column {body[: body.index(bad[0])].count(9) + 1}"
    elif have != width:
        spaces = " The columns seem to be separated by spaces, not tabs." if have == 1 else ""
        why = f"The line has {have} columns, the header {width}.{spaces}"
        remedy = "Export the file again; the line is cut off, or tabs were lost or added by an editor."
        shown = body[:40]
    else:
        return True
    problems.error(why, remedy, row=row, column=column, value=shown.decode("utf-8", "replace"))
    return False
