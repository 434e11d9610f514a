"""The panel: what is known of lines, markers and the run as a whole before any plant is judged.

Glossary: *version* a reading of a line: its replicates, or one cluster of them where they contradict each
other. Most lines have one version. Arrays over versions are ordered by line name, then by cluster size.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.evidence.blocks import ErrorRates, Wells
from crossproof.inference.lines.consensus import cluster_wells, discordance, fit_pool
from crossproof.inference.lines.doubt import Doubt, doubts_from_arrays, doubts_to_arrays
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.season_results import LineInput
from crossproof.inference.short_axes import most_of_last, sum_of_last
from crossproof.model.arrays import Bools, Floats, Ints, Texts
from crossproof.model.settings import Settings

PRIOR_OBSERVATIONS = 40.0
"""Calls that the beta priors of a marker's error rates are worth (model.md section 1)."""
SECOND_TUBE = 0.05
"""How much less likely it is that a second replicate that agrees held the same wrong line too."""
CONFIRMED = 1e-4
"""How much less likely a wrong tube is once another family fits the line as typed."""

NO_VERSIONS: Ints = np.empty(0, dtype=np.int64)

UNKNOWN_COPY, FIXED_LINE = -1, -2
"""In place of a version, where a parent's copy comes from no typed line, and where the parent is no F1."""


@dataclass(frozen=True)
class TagRates:
    """How often parents and tags are not as typed, over the run.

    `wrong_tube`: of lines, that the tube held something else; of parents of a tag: `wrong_plant`, that
    another plant was used; `heterogeneous`, that the plant departs from its line as one of a heterogeneous
    line does; `generation`: of tags, that they are seed of a later generation.
    """

    wrong_tube: float
    wrong_plant: float
    heterogeneous: float
    generation: float


@dataclass(frozen=True)
class Panel:
    """All that families are judged with. Fields are arrays or numbers, see `panel_to_arrays`.

    `lines` (L,) sorted names; `version_line` (V,) line number of each version; `version_wells` per version;
    `f`, `d` (marker,) error rates per joined marker; `h` departure of parent plants; `class_prior` (4,);
    `set_aside` (marker,) reason, "" where the marker is used; `marker_call_rate` (marker,); `frozen`
    (marker,) whether the error rates come from an earlier run; `replicate_pairs`, `replicate_differ`
    (marker,): pairs of called replicates and those that differ, a direct estimate of error; `sample_cross`
    (S,), `sample_parents` (S, 2) mother and father, `sample_says` (S, 2): what families of the sample say of
    each parent's typing, 1 it fits, -1 it does not, 0 nothing; `sample_departing` (S, 2): probability that
    the parent plant is one of a heterogeneous line; `doubts`: of the sample's families about their parents'
    typing; `tag_rates`; `quality` (class,): factors by which poor wells err more; `converged`, `rounds`: of
    the estimates. `copies` (V, 2): versions of the two lines that a version is the F1 of, UNKNOWN_COPY for
    one that is not known, FIXED_LINE both where it is no F1; `recognised` (V,): whether they were not given
    but recognised. `compiled`: whether families are judged by compiled loops, where they are of the kind;
    numbers differ in their last bits, so that it is no part of what a family's digest is made from.
    """

    lines: tuple[str, ...]
    version_line: Ints
    version_wells: tuple[tuple[int, ...], ...]
    blocks: tuple[PanelBlock, ...]
    f: Floats
    d: Floats
    h: float
    class_prior: Floats
    set_aside: Texts
    marker_call_rate: Floats
    frozen: Bools
    replicate_pairs: Floats
    replicate_differ: Floats
    sample_cross: Texts
    sample_parents: Texts
    sample_says: Ints
    sample_departing: Floats
    tag_rates: TagRates
    quality: Floats
    doubts: tuple[Doubt, ...] = ()
    converged: bool = True
    rounds: int = 0
    copies: Ints = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))
    recognised: Bools = field(default_factory=lambda: np.empty(0, dtype=bool))
    compiled: bool = False

    @cached_property
    def line_number(self) -> dict[str, int]:
        """Line number by name."""
        return {line: i for i, line in enumerate(self.lines)}

    @cached_property
    def usable(self) -> Bools:
        """Whether each joined marker (marker,) is used."""
        return np.asarray(self.set_aside == "")

    @cached_property
    def share_of_line(self) -> Floats:
        """Share (V,) of its line that each version is, all versions of a line alike."""
        return np.asarray(1 / np.bincount(self.version_line)[self.version_line])

    def versions(self, line: str) -> Ints:
        """Versions of a line, the largest cluster first; none where the line was never typed."""
        return self._versions.get(line, NO_VERSIONS)

    def segregates(self, line: str) -> bool:
        """Whether a line's plants are F1 plants or other heterozygous parents, as given or recognised."""
        return line in self._segregating

    @cached_property
    def _segregating(self) -> frozenset[str]:
        if not len(self.copies):
            return frozenset()
        of = self.version_line[self.copies[:, 0] != FIXED_LINE]
        return frozenset(self.lines[number] for number in of.tolist())

    def says_of(self, line: str, cross_id: str) -> list[int]:
        """What families of the sample other than this one say of a line's typing."""
        return [says for cross, says, _ in self._says_of.get(line, ()) if cross != cross_id]

    def departing_of(self, line: str, cross_id: str) -> Floats:
        """Probability (family,) that a plant of the line departed, by the other families of the sample."""
        return np.array([share for cross, _, share in self._says_of.get(line, ()) if cross != cross_id])

    def doubts_of(self, line: str) -> tuple[Doubt, ...]:
        """Doubts of the sample's families about a line's typing."""
        return self._doubts_of.get(line, ())

    @cached_property
    def _doubts_of(self) -> dict[str, tuple[Doubt, ...]]:
        found: dict[str, tuple[Doubt, ...]] = {}
        for doubt in self.doubts:
            found[doubt.line] = (*found.get(doubt.line, ()), doubt)
        return found

    @cached_property
    def _says_of(self) -> dict[str, list[tuple[str, int, float]]]:
        """Families of the sample in which a line is mother or father: their crosses, `sample_says` and
        `sample_departing` of it."""
        found: dict[str, list[tuple[str, int, float]]] = {}
        columns = (self.sample_cross, self.sample_parents, self.sample_says, self.sample_departing)
        for cross, parents, says, departing in zip(*(c.tolist() for c in columns), strict=True):
            for line, *said in zip(parents, says, departing, strict=True):
                found.setdefault(line, []).append((cross, *said))
        return found

    def rates(self, settings: Settings) -> ErrorRates:
        """Error rates as `Wells.likelihood` wants them."""
        constants = (settings.swap, settings.read_error, settings.overdispersion, settings.floor)
        if constants not in self._rates:
            quality = tuple(self.quality.tolist())
            self._rates[constants] = ErrorRates(self.f, self.d, *constants, quality)
        return self._rates[constants]

    @cached_property
    def _rates(self) -> dict[tuple[float, ...], ErrorRates]:
        return {}

    @cached_property
    def _versions(self) -> dict[str, Ints]:
        return {
            line: np.flatnonzero(self.version_line == number) for line, number in self.line_number.items()
        }


QUALITY_PRIOR = (1.0, 1.3, 1.8, 2.5, 4.0, 6.0)
"""Prior means of the factors by which wells of lower call rate err more, by class of quality; no source."""


def start_rates(wells: Wells, settings: Settings) -> ErrorRates:
    """The starting error rates, the same at every marker."""
    m = len(wells.markers)
    return ErrorRates(
        np.full(m, settings.false_heterozygote),
        np.full(m, settings.dropout),
        settings.swap,
        settings.read_error,
        settings.overdispersion,
        settings.floor,
    )


def marker_groups(wells: Wells) -> list[tuple[int, bool, Ints]]:
    """Joined markers by number of alleles and inheritance: (k, maternal, rows), nuclear first."""
    k_of = wells.markers.n_alleles
    maternal = wells.markers.maternal
    groups = []
    for inherited in (False, True):
        for k in np.unique(k_of[maternal == inherited]):
            groups.append((int(k), inherited, np.flatnonzero((k_of == k) & (maternal == inherited))))
    return groups


def find_versions(
    wells: Wells, lines: Sequence[LineInput], rates: ErrorRates, settings: Settings, usable: Bools
) -> tuple[Ints, tuple[tuple[int, ...], ...]]:
    """Versions of every line: (version_line, version_wells); `lines` in the order of their numbers."""
    batch, _ = wells.place
    version_line: list[int] = []
    version_wells: list[tuple[int, ...]] = []
    groups = marker_groups(wells)
    for number, line in enumerate(lines):
        typed = np.array(sorted(w for w in line.wells if batch[w] >= 0), dtype=np.int64)
        if not len(typed):
            continue
        labels = np.zeros(len(typed), dtype=np.int64)
        if len(typed) > 1:
            likes = [
                wells.likelihood(rows[usable[rows]], typed, k, rates, floor=False) for k, _, rows in groups
            ]
            labels = cluster_wells(discordance(likes, cautious=True), settings.line_conflict)
        for cluster in range(int(labels.max()) + 1):
            version_line.append(number)
            version_wells.append(tuple(int(w) for w in typed[labels == cluster]))
    return np.array(version_line, dtype=np.int64), tuple(version_wells)


def version_likelihood(
    wells: Wells, rows: Ints, k: int, version_wells: Sequence[Sequence[int]], rates: ErrorRates
) -> Floats:
    """Likelihoods (m, V, n_g): product over the wells of each version."""
    flat = np.array([w for group in version_wells for w in group], dtype=np.int64)
    like = wells.likelihood(rows, flat, k, rates)
    if len(flat) == len(version_wells):
        return like
    starts = np.cumsum([0, *(len(g) for g in version_wells[:-1])])
    total = np.add.reduceat(np.log(like), starts, axis=1)
    total -= most_of_last(total, keepdims=True)
    np.exp(total, out=total)
    return np.asarray(total / sum_of_last(total, keepdims=True))


def fit_blocks(
    wells: Wells,
    lines: Sequence[LineInput],
    version_line: Ints,
    version_wells: Sequence[Sequence[int]],
    rates: ErrorRates,
    frozen_q: Mapping[int, Floats] | None = None,
) -> tuple[PanelBlock, ...]:
    """Line posteriors and pool frequencies of all joined markers under these error rates."""
    inbreeding = np.array([lines[i].inbreeding for i in version_line])
    share = (
        1 / np.bincount(version_line, minlength=len(lines))[version_line] if len(version_line) else inbreeding
    )
    blocks = []
    for k, maternal, rows in marker_groups(wells):
        like = version_likelihood(wells, rows, k, version_wells, rates)
        f = np.ones_like(inbreeding) if maternal else inbreeding
        q, posterior = fit_pool(like, f, share)
        blocks.append(PanelBlock(k, maternal, rows, posterior.astype(np.float32), q))
    return tuple(blocks)


_PLAIN_FIELDS = (
    "f",
    "d",
    "h",
    "class_prior",
    "set_aside",
    "marker_call_rate",
    "frozen",
    "replicate_pairs",
    "replicate_differ",
    "sample_cross",
    "sample_parents",
    "sample_says",
    "sample_departing",
    "quality",
    "converged",
    "rounds",
    "copies",
    "recognised",
    "compiled",
)


def panel_to_arrays(panel: Panel) -> dict[str, NDArray[Any]]:
    """A panel as numpy arrays without objects, for `numpy.savez`."""
    flat = [w for group in panel.version_wells for w in group]
    arrays: dict[str, NDArray[Any]] = {
        "lines": np.array(panel.lines, dtype=np.str_),
        "version_line": panel.version_line,
        "version_size": np.array([len(g) for g in panel.version_wells], dtype=np.int64),
        "version_well": np.array(flat, dtype=np.int64),
        "n_blocks": np.array(len(panel.blocks)),
    }
    for i, block in enumerate(panel.blocks):
        for f in fields(block):
            arrays[f"block{i}_{f.name}"] = np.asarray(getattr(block, f.name))
    for name in _PLAIN_FIELDS:
        arrays[name] = np.asarray(getattr(panel, name))
    arrays["tag_rates"] = np.array(astuple(panel.tag_rates))
    return arrays | doubts_to_arrays(panel.doubts)


def panel_from_arrays(arrays: Mapping[str, NDArray[Any]]) -> Panel:
    """The `Panel` that `panel_to_arrays` took apart."""
    cut = np.cumsum(arrays["version_size"])[:-1]
    wells = np.split(arrays["version_well"], cut) if len(arrays["version_size"]) else []
    blocks = tuple(
        PanelBlock(
            int(arrays[f"block{i}_k"]),
            bool(arrays[f"block{i}_maternal"]),
            arrays[f"block{i}_rows"],
            arrays[f"block{i}_consensus"],
            arrays[f"block{i}_q"],
        )
        for i in range(int(arrays["n_blocks"]))
    )
    return Panel(
        tuple(str(x) for x in arrays["lines"]),
        arrays["version_line"],
        tuple(tuple(int(w) for w in group) for group in wells),
        blocks,
        arrays["f"],
        arrays["d"],
        float(arrays["h"]),
        arrays["class_prior"],
        arrays["set_aside"],
        arrays["marker_call_rate"],
        arrays["frozen"],
        arrays["replicate_pairs"],
        arrays["replicate_differ"],
        arrays["sample_cross"],
        arrays["sample_parents"],
        arrays["sample_says"],
        arrays["sample_departing"],
        TagRates(*(float(x) for x in arrays["tag_rates"])),
        arrays["quality"],
        doubts_from_arrays(arrays),
        bool(arrays["converged"]),
        int(arrays["rounds"]),
        arrays["copies"],
        arrays["recognised"],
        bool(arrays["compiled"]) if "compiled" in arrays else False,
    )
