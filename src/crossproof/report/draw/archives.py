"""ZIP archives put together from others, so that their members can be packed side by side.

Layout of the format: APPNOTE.TXT 6.3.10, sections 4.3.7 (local header), 4.3.12 (central directory) and 4.3.16
(end of central directory), https://pkware.cachefly.net/webdocs/casestudies/APPNOTE.TXT.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

_END = b"PK\x05\x06"
_END_FIELDS = struct.Struct("<4H2LH")
"""Numbers of disks, of members here and in all, size and place of the directory, length of the comment."""
_PLACE = slice(42, 46)
"""Where an entry of the directory says where its member begins."""


def joined_archives(archives: Iterable[bytes]) -> bytes:
    """One archive of archives that hold one member each, without comments and below 4 GiB."""
    members, directory, place = [], [], 0
    for archive in archives:
        end = archive.rindex(_END) + len(_END)
        _, _, _, count, size, start, _ = _END_FIELDS.unpack(archive[end:])
        assert count == 1
        entry = bytearray(archive[start : start + size])
        entry[_PLACE] = struct.pack("<L", place)
        members.append(archive[:start])
        directory.append(bytes(entry))
        place += start
    n, size = len(members), sum(map(len, directory))
    return b"".join([*members, *directory, _END, _END_FIELDS.pack(0, 0, n, n, size, place, 0)])
