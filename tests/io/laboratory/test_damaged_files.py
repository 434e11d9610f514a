"""Files of the laboratory that were damaged on the way are refused or received, and never a fault of ours."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from clean_season import plate, write_clean
from ugly_files import KINDS

from crossproof.errors import InputError, PlateError
from crossproof.receive.questions import Options
from crossproof.receive.receive import receive

_INSERTED = (b"\n", b",", b";", b"\t", b'"', b"\n\n\n", b"#", b"/", b" ")
_SWAPS = ((b",", b";"), (b"/", b"|"), (b"\n", b""), (b"A", b"B"), (b"M0", b""), (b",", b",,"))


def damaged(data: bytes, rng: random.Random) -> bytes:
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data))
        kind = rng.randrange(6)
        if kind == 0:
            data = data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :]
        elif kind == 1:
            data = data[:at] + data[at + rng.randrange(1, 200) :]
        elif kind == 2:
            data = data[:at] + data[max(0, at - rng.randrange(300)) : at] + data[at:]
        elif kind == 3:
            data = data[:at]
        elif kind == 4:
            data = data[:at] + rng.choice(_INSERTED) + data[at:]
        else:
            data = data.replace(*rng.choice(_SWAPS), rng.randrange(1, 2000))
        data = data or b"x"
    return data


@pytest.mark.parametrize("seed", [1, 2, pytest.param(3, marks=pytest.mark.slow)])
def test_a_damaged_file_is_refused_or_received(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    season = tmp_path / "season"
    write_clean(season, received=False)
    before = (season / "config.yaml").read_bytes()
    for _ in range(6 if seed < 3 else 200):
        sent = KINDS[rng.choice(list(KINDS))](plate())
        file = tmp_path / sent.name
        file.write_bytes(damaged(sent.data, rng))
        try:
            receipt = receive(season, file, Options(), dry_run=True)
        except (InputError, PlateError):
            continue
        told = receipt.understood
        assert 0 < told.n_samples <= len(plate().samples)
        assert receipt.entry["batch"] == "B002"
    assert (season / "config.yaml").read_bytes() == before
