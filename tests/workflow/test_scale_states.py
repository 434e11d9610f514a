"""A file that cannot be read never stops the others, and says for how long it is tried again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from seasons import write_plates

from crossproof.season.index import SeasonIndex, build_index
from crossproof.season.work_folder import read_kept
from crossproof.simulate.plan import SeasonPlan
from crossproof.steps import ingest as step

PLAN = SeasonPlan(n_markers=8, n_lines=4, n_crosses=16, plants_per_cross=6)
"""Two plates."""


@pytest.fixture
def index(tmp_path: Path) -> SeasonIndex:
    return build_index(write_plates(tmp_path / "season", PLAN))


def bucket_with(index: SeasonIndex, batch: str) -> int:
    return next(b for b, names in index.batch_buckets().items() if batch in names)


def outcome(index: SeasonIndex, bucket: int, batch: str) -> dict[str, Any]:
    found = read_kept(index.folder.work("ingest", f"{bucket}.json"))
    assert isinstance(found, dict)
    return dict(found[batch])


def test_our_fault_is_tried_again_at_every_run_until_it_works(
    index: SeasonIndex, monkeypatch: pytest.MonkeyPatch
) -> None:
    bucket = bucket_with(index, "B001")
    real, digests = step.read_entry, [index.ingest_digest(bucket)]

    def broken(config: Any, file: Any, *rest: Any) -> Any:
        if file.batch == "B001":
            raise ZeroDivisionError("an internal error")
        return real(config, file, *rest)

    monkeypatch.setattr(step, "read_entry", broken)
    for attempts in (1, 2):
        for b in index.batch_buckets():
            step.ingest(index, b)
        said = outcome(index, bucket, "B001")
        assert (said["state"], said["attempts"]) == ("error", attempts)
        assert "an internal error of crossproof" in said["problems"][0]["problem"]
        assert outcome(index, bucket_with(index, "B002"), "B002")["state"] == "used"
        digests.append(index.ingest_digest(bucket))
    assert len(set(digests)) == 3, "another digest is what has the workflow run the job again"
    monkeypatch.setattr(step, "read_entry", real)
    step.ingest(index, bucket)
    assert outcome(index, bucket, "B001")["state"] == "used"
    assert index.ingest_digest(bucket) == digests[-1], "nothing more to do"


@pytest.mark.parametrize("fault", [OSError("No space left on device"), MemoryError()])
def test_a_full_disk_says_nothing_about_a_file(
    index: SeasonIndex, monkeypatch: pytest.MonkeyPatch, fault: BaseException
) -> None:
    bucket = bucket_with(index, "B001")

    def full(*_: Any) -> None:
        raise fault

    monkeypatch.setattr(step, "write_calls", full)
    with pytest.raises(type(fault)):
        step.ingest(index, bucket)
    assert not index.folder.work("ingest", f"{bucket}.json").exists()


def test_a_file_set_aside_and_mended_is_read_once_more_only(index: SeasonIndex) -> None:
    bucket, path = bucket_with(index, "B001"), index.folder.season / "genotypes" / "B001.csv"
    good, before = path.read_bytes(), index.ingest_digest(bucket)
    path.write_bytes(good[: len(good) // 2])
    broken = build_index(index.folder.season)
    assert broken.ingest_digest(bucket) != before
    step.ingest(broken, bucket)
    assert outcome(broken, bucket, "B001")["state"] == "set aside"
    path.write_bytes(good)
    mended = build_index(index.folder.season)
    asked = mended.ingest_digest(bucket)
    step.ingest(mended, bucket)
    assert outcome(mended, bucket, "B001")["state"] == "used"
    assert mended.ingest_digest(bucket) == asked
