"""Archives put together: what zipfile writes of all members at once is the measure."""

from __future__ import annotations

import io
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from crossproof.report.draw.archives import joined_archives

MEMBERS = {
    "a.xml": b"<a/>" * 500,
    "empty": b"",
    "folder/\u00e9.xml": bytes(range(256)) * 40,
    "PK": b"PK\x05\x06" * 9,
}


def archive_of(names: list[str]) -> bytes:
    out = io.BytesIO()
    with ZipFile(out, "w", ZIP_DEFLATED) as archive:
        for name in names:
            archive.writestr(ZipInfo(name, (2000, 1, 1, 0, 0, 0)), MEMBERS[name], ZIP_DEFLATED)
    return out.getvalue()


def test_archives_of_one_member_each_are_joined_to_the_same_bytes() -> None:
    joined = joined_archives(archive_of([name]) for name in MEMBERS)
    assert joined == archive_of(list(MEMBERS))
    with ZipFile(io.BytesIO(joined)) as archive:
        assert archive.testzip() is None
        assert {name: archive.read(name) for name in archive.namelist()} == MEMBERS
