"""The worklist as a phone shows it, and the list of what was ticked."""

from __future__ import annotations

import csv
import io
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from crossproof.desk.commands import TICKED
from crossproof.desk.folder import SeasonPlace
from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.reading import read_table
from crossproof.model.results import Decision
from crossproof.report.content.sheets import natural

ACTIONS: Mapping[str, str] = {
    Decision.KEEP.value: "keep",
    Decision.CULL.value: "cull",
    Decision.RETEST.value: "sample",
}
"""What is done at the bench for a decision; for a plant on hold nothing is."""
COLUMNS = ("plant", "action", "place")
AT_ONCE = 60
_WRITING = threading.Lock()


@dataclass(frozen=True)
class Task:
    """One plant of the worklist: what to do with it, and whether it was ticked."""

    plant: str
    cross: str
    place: str
    decision: str
    action: str
    ticked: bool


@dataclass(frozen=True)
class Tasks:
    """One page of the worklist. `decisions`: plants and ticks per decision."""

    tasks: tuple[Task, ...]
    total: int
    decisions: tuple[tuple[str, int, int], ...]


class Worklist:
    """The worklist of one season, read again only after a run wrote it."""

    def __init__(self, season: SeasonPlace) -> None:
        self.season = season
        self._of: tuple[int, int] = (0, 0)
        self._frame = pd.DataFrame()

    def _verdicts(self) -> pd.DataFrame:
        path = self.season.folder.results / "verdicts.csv"
        s = path.stat()
        if self._of != (s.st_mtime_ns, s.st_size):
            frame = read_table(path)
            for name in ("place", "plate", "well"):
                if name not in frame:
                    frame[name] = ""
            frame = frame[["plant", "cross_id", "place", "plate", "well", "decision"]]
            well = (frame["plate"] + " " + frame["well"]).str.strip()
            frame = frame.assign(where=frame["place"].where(frame["place"] != "", well))
            places, plants = frame["where"].tolist(), frame["plant"].tolist()
            order = sorted(range(len(frame)), key=lambda i: (places[i] == "", natural(places[i]), plants[i]))
            self._frame = frame.iloc[order].reset_index(drop=True)
            self._of = (s.st_mtime_ns, s.st_size)
        return self._frame

    def page(self, decision: str, words: str, first: int) -> Tasks:
        """Plants of one decision whose place, cross or name holds `words`, in the order of their places."""
        frame, done = self._verdicts(), self.ticked()
        counts = frame["decision"].value_counts()
        marked = frame.loc[frame["plant"].isin(done), "decision"].value_counts()
        decisions = tuple((d, int(counts.get(d, 0)), int(marked.get(d, 0))) for d in ACTIONS)
        chosen = frame[frame["decision"] == decision]
        if words:
            folded = words.casefold()
            hit = pd.Series(False, index=chosen.index)
            for column in ("plant", "cross_id", "where"):
                hit |= chosen[column].str.casefold().str.contains(folded, regex=False)
            chosen = chosen[hit]
        tasks = tuple(
            Task(r.plant, r.cross_id, r.where, r.decision, ACTIONS[r.decision], r.plant in done)
            for r in chosen.iloc[first : first + AT_ONCE].itertuples()
        )
        return Tasks(tasks, len(chosen), decisions)

    def ticked(self) -> dict[str, str]:
        """Action by plant of everything ticked."""
        return {plant: action for plant, action, _ in _read(self.season.path / TICKED)}

    def tick(self, plant: str, on: bool) -> bool:
        """Tick a plant, or take the tick back; False for a plant that has nothing to tick."""
        frame = self._verdicts()
        rows = frame[(frame["plant"] == plant) & frame["decision"].isin(list(ACTIONS))]
        if rows.empty:
            return False
        path = self.season.path / TICKED
        with _WRITING:
            kept = [r for r in _read(path) if r[0] != plant]
            if on:
                row = rows.iloc[0]
                kept.append((plant, ACTIONS[row["decision"]], str(row["place"])))
            out = io.StringIO()
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow(COLUMNS)
            writer.writerows(kept)
            write_bytes(path, out.getvalue().encode("utf-8"))
        return True


def _read(path: Path) -> list[tuple[str, str, str]]:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    rows = list(csv.reader(io.StringIO(text)))[1:]
    return [(r[0], r[1], r[2]) for r in rows if len(r) == len(COLUMNS)]
