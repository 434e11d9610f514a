"""Where a season's wish list lies, and what a plan made from it follows from.

Apart from the planner, so that the workflow can ask without loading it.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

WISH_LIST_NAMES = ("planned.csv", "planned.tsv", "planned.xlsx")


def wish_list_digest(folder: Path) -> str:
    """SHA-256 of the wish list and of the results the rates come from, "" where neither is there.

    The plan rule keys on it: a list that was taken away, or copied with its old date, is noticed too.
    """
    names = (*WISH_LIST_NAMES, "results/crosses.csv")
    there = [(name, (folder / name).read_bytes()) for name in names if (folder / name).is_file()]
    whole = hashlib.sha256()
    for name, data in there:
        whole.update(f"{name}\0{hashlib.sha256(data).hexdigest()}\0".encode())
    return whole.hexdigest() if there else ""
