"""Verdicts against known truth: how many were determined, how many wrong, and whether the probabilities hold.

determined      plants whose verdict is one of the four classes
wrong           determined plants whose class is not the true one
stated p        posterior of the leading class, of every plant that has one, determined or not
ECE             expected calibration error, sum over bins of (n_b / n) |share right - mean stated p|
                (Naeini, Cooper and Hauskrecht 2015, AAAI, eq. 1; memory)
false hybrid    a plant with p_hybrid above 0.99 that is none
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import binomtest

from crossproof.errors import InputError, Problem, Severity, error, warning
from crossproof.model.arrays import Floats, Objects
from crossproof.model.results import CLASSES, Verdict

NAMES = tuple(str(c) for c in CLASSES)
POSTERIORS = tuple(f"p_{name}" for name in NAMES)
EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0)
SURE_HYBRID = 0.99
LISTED = 20  # unmatched samples that get a problem of their own


@dataclass(frozen=True)
class Score:
    """What `score` found; shares are NaN where nothing was counted.

    `confusion`: plants, true class (row) by verdict (column). `per_class`: plants, determined, right, wrong
    of each true class. `bins`: one row per bin of stated probability that holds plants: low, high, plants,
    mean_stated, right, share_right with Wilson 95 % limits. `wrong_plants`: the wrong ones with their
    posteriors. `problems`: plants left out, and why.
    """

    plants: int
    determined: int
    wrong: int
    ece: float
    sure_hybrids: int
    sure_hybrids_wrong: int
    confusion: pd.DataFrame
    per_class: pd.DataFrame
    bins: pd.DataFrame
    wrong_plants: pd.DataFrame
    problems: tuple[Problem, ...] = ()

    @property
    def determined_share(self) -> float:
        """Share of plants with a verdict other than undetermined."""
        return _share(self.determined, self.plants)

    @property
    def wrong_share(self) -> float:
        """Share of determined plants whose verdict is wrong."""
        return _share(self.wrong, self.determined)

    @property
    def false_hybrid_share(self) -> float:
        """Share of plants with p_hybrid above 0.99 that are no hybrids."""
        return _share(self.sure_hybrids_wrong, self.sure_hybrids)


def _share(part: int, whole: int) -> float:
    return part / whole if whole else float("nan")


def wilson(part: int, whole: int) -> tuple[float, float]:
    """Wilson 95 % limits of a share; NaN where nothing was counted."""
    if not whole:
        return float("nan"), float("nan")
    limits = binomtest(part, whole).proportion_ci(method="wilson")
    return float(limits.low), float(limits.high)


def score(
    verdicts: pd.DataFrame,
    truth: pd.DataFrame,
    *,
    verdicts_file: str = "verdicts.csv",
    truth_file: str = "truth",
) -> Score:
    """Compare verdicts with known truth.

    `verdicts`: one row per plant with sample_id, verdict, p_hybrid, p_self, p_outcross, p_off_pedigree and,
    where plants have several wells, `samples` (all wells joined by ;). `truth`: sample_id and truth (a
    verdict name other than undetermined). Either's further columns are ignored.
    Plants without truth and truth without a plant are left out with a warning.
    Raises InputError for a missing column, a truth that is no class, one sample twice with different truths,
    two wells of a plant with different truths, or no plant in common.
    """
    again = "Run `crossproof run` again; the table was changed."
    problems = _missing_columns(verdicts, ("sample_id", "verdict", *POSTERIORS), verdicts_file, again)
    said = "A truth file has sample_id and truth."
    problems += _missing_columns(truth, ("sample_id", "truth"), truth_file, said)
    if problems:
        raise InputError(problems)
    known, problems = _read_truth(truth, truth_file)

    wells = verdicts["samples"] if "samples" in verdicts else verdicts["sample_id"]
    wells = wells.fillna("").astype(str)
    wells = wells.where(wells != "", verdicts["sample_id"].astype(str))
    found: list[str | None] = []
    used: set[str] = set()
    without: list[str] = []
    for names in wells.str.split(";"):
        mine = [name.strip() for name in names]
        truths = {known[name] for name in mine if name in known}
        used.update(mine)
        if len(truths) > 1:
            problems.append(
                error(
                    truth_file,
                    f"The wells of one plant have different truths: {', '.join(sorted(truths))}.",
                    "Give all wells of a plant the same truth.",
                    column="truth",
                    value=";".join(mine),
                )
            )
        if not truths:
            without.append(mine[0])
        found.append(min(truths) if truths else None)
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError(problems)
    problems += _listed(verdicts_file, without, "This plant has no known truth; it is not counted.",
                        "Add it to the truth file, or leave it out.")  # fmt: skip
    problems += _listed(truth_file, [s for s in known if s not in used],
                        "This sample has no verdict; it is not counted.",
                        "Check its name, or that its batch was not set aside.")  # fmt: skip
    keep = np.array([t is not None for t in found], dtype=bool)
    if not keep.any():
        raise InputError.at(
            truth_file,
            f"No sample of this file has a verdict in {verdicts_file}.",
            "Check that both are of the same season and that sample_id is spelt alike.",
            column="sample_id",
        )
    rows = verdicts[keep]
    result = score_arrays(
        rows[list(POSTERIORS)].to_numpy(dtype=np.float64),
        rows["verdict"].astype(str).to_numpy(dtype=object),
        np.array([t for t in found if t is not None], dtype=object),
        names=rows["sample_id"].astype(str).to_numpy(dtype=object),
    )
    return Score(**{**vars(result), "problems": tuple(problems)})


def _missing_columns(frame: pd.DataFrame, wanted: Iterable[str], file: str, remedy: str) -> list[Problem]:
    return [
        error(file, f"The column {name} is missing.", remedy, column=name)
        for name in wanted
        if name not in frame
    ]


def _read_truth(truth: pd.DataFrame, file: str) -> tuple[dict[str, str], list[Problem]]:
    """Truth by sample, and what is wrong with it; row 2 is the first below the header."""
    known: dict[str, str] = {}
    problems = []
    for row, (sample, name) in enumerate(zip(truth["sample_id"], truth["truth"], strict=True), start=2):
        sample, name = str(sample).strip(), str(name).strip()
        if name not in NAMES:
            problems.append(
                error(file, "This is not a class.", f"Write one of {', '.join(NAMES)}.",
                      row=row, column="truth", value=name)
            )  # fmt: skip
        elif known.setdefault(sample, name) != name:
            problems.append(
                error(file, f"This sample was {known[sample]} in an earlier row.", "Keep one of the rows.",
                      row=row, column="sample_id", value=sample)
            )  # fmt: skip
    return known, problems


def _listed(file: str, samples: list[str], problem: str, remedy: str) -> list[Problem]:
    """One warning per sample, or one for all where there are many."""
    if len(samples) > LISTED:
        return [warning(file, f"{len(samples)} such samples. {problem}", remedy, value=f"{samples[0]}, ...")]
    return [warning(file, problem, remedy, column="sample_id", value=name) for name in samples]


def score_arrays(
    posteriors: Floats,
    verdicts: Objects,
    truth: Objects,
    *,
    names: Objects | None = None,
) -> Score:
    """The same for arrays: posteriors (plant, class), verdict names (plant,), true class names (plant,)."""
    n = len(truth)
    assert posteriors.shape == (n, len(NAMES))
    assert len(verdicts) == n
    names = np.arange(n).astype(object) if names is None else names
    determined = verdicts != str(Verdict.UNDETERMINED)
    wrong = determined & (verdicts != truth)

    columns = [*NAMES, str(Verdict.UNDETERMINED)]
    confusion = pd.DataFrame(
        [[int(((truth == t) & (verdicts == v)).sum()) for v in columns] for t in NAMES],
        index=pd.Index(NAMES, name="truth"),
        columns=columns,
    )
    per_class = pd.DataFrame(
        {
            "plants": [int((truth == t).sum()) for t in NAMES],
            "determined": [int(((truth == t) & determined).sum()) for t in NAMES],
            "right": [int(((truth == t) & determined & ~wrong).sum()) for t in NAMES],
            "wrong": [int(((truth == t) & wrong).sum()) for t in NAMES],
        },
        index=pd.Index(NAMES, name="truth"),
    )
    sure = posteriors[:, 0] > SURE_HYBRID
    bins, ece = reliability(posteriors, truth)
    wrong_plants = pd.DataFrame(posteriors[wrong], columns=list(POSTERIORS))
    wrong_plants.insert(0, "sample_id", names[wrong])
    wrong_plants.insert(1, "truth", truth[wrong])
    wrong_plants.insert(2, "verdict", verdicts[wrong])
    return Score(
        plants=n,
        determined=int(determined.sum()),
        wrong=int(wrong.sum()),
        ece=ece,
        sure_hybrids=int(sure.sum()),
        sure_hybrids_wrong=int((sure & (truth != NAMES[0])).sum()),
        confusion=confusion,
        per_class=per_class,
        bins=bins,
        wrong_plants=wrong_plants,
    )


def reliability(posteriors: Floats, truth: Objects) -> tuple[pd.DataFrame, float]:
    """Bins of the leading class's stated probability, and the expected calibration error over them.

    Plants without posteriors (NaN) are left out; with none left the error is NaN.
    """
    has = np.isfinite(posteriors).all(axis=1)
    stated = posteriors[has].max(axis=1) if has.any() else np.empty(0)
    lead = posteriors[has].argmax(axis=1) if has.any() else np.empty(0, dtype=int)
    right = np.array(NAMES, dtype=object)[lead] == truth[has]
    place = np.clip(np.searchsorted(EDGES, stated, side="right") - 1, 0, len(EDGES) - 2)
    rows, ece = [], 0.0
    for b in range(len(EDGES) - 1):
        here = place == b
        n, good = int(here.sum()), int(right[here].sum())
        if not n:
            continue
        mean = float(stated[here].mean())
        ece += n / len(stated) * abs(good / n - mean)
        rows.append((EDGES[b], EDGES[b + 1], n, mean, good, good / n, *wilson(good, n)))
    columns = ["low", "high", "plants", "mean_stated", "right", "share_right", "share_low", "share_high"]
    return pd.DataFrame(rows, columns=columns), (ece if len(stated) else float("nan"))


def score_folder(folder: Path, truth: Path) -> str:
    """The score of a season that has been run, as text.

    Raises InputError where the season has no verdicts yet or a file cannot be used.
    """
    folder = Path(folder)
    verdicts = (folder.parent if folder.is_file() else folder) / "results" / "verdicts.csv"
    if not verdicts.exists():
        raise InputError.at(
            str(verdicts),
            "There are no verdicts yet.",
            f"First run: crossproof run {shlex.quote(str(folder))}",
        )
    read = {"dtype": str, "keep_default_na": False, "encoding": "utf-8-sig"}
    found = pd.read_csv(verdicts, **read)
    for name in POSTERIORS:
        if name in found:
            found[name] = pd.to_numeric(found[name].replace("", np.nan))
    try:
        known = pd.read_csv(truth, **read)
    except (UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError):
        raise InputError.at(
            str(truth), "This is not a comma-separated table.", "Save it as CSV, UTF-8."
        ) from None
    return render(score(found, known, verdicts_file=str(verdicts), truth_file=str(truth)))


def percent(share: float, digits: int = 2) -> str:
    """A share as a percentage, or a dash where nothing was counted."""
    return "-" if np.isnan(share) else f"{100 * share:.{digits}f} %"


def render(result: Score) -> str:
    """A score as plain text."""
    low, high = wilson(result.wrong, result.determined)
    lines = [
        f"plants      {result.plants}",
        f"determined  {result.determined} ({percent(result.determined_share)})",
        f"wrong       {result.wrong} of the determined ({percent(result.wrong_share)}, "
        f"95 % limits {percent(low)} to {percent(high)})",
        f"false hybrids among plants stated above {SURE_HYBRID}: "
        f"{result.sure_hybrids_wrong} of {result.sure_hybrids} ({percent(result.false_hybrid_share)})",
        f"expected calibration error  {percent(result.ece)}",
        "",
        "truth by verdict",
        result.confusion.to_string(),
        "",
        "stated probability of the leading class, and the share that was right (95 % Wilson limits)",
    ]
    for row in result.bins.itertuples():
        lines.append(
            f"  {row.low:5.3f} to {row.high:5.3f}  {row.plants:6d} plants, stated {row.mean_stated:.4f}, "
            f"right {row.share_right:.4f} ({row.share_low:.4f} to {row.share_high:.4f})"
        )
    if len(result.wrong_plants):
        lines += ["", "wrong verdicts", result.wrong_plants.head(LISTED).round(4).to_string(index=False)]
        if len(result.wrong_plants) > LISTED:
            lines.append(f"... and {len(result.wrong_plants) - LISTED} more")
    lines += [""] * bool(result.problems) + [p.sentence() for p in result.problems]
    return "\n".join(lines)
