"""Which crosses of a season can be proven, by the rule that the planner uses (`planning.power.provable`)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.season_model import Panel, Wells
from crossproof.io.calls.store import read_arrays, write_arrays
from crossproof.io.config.season_config import Config
from crossproof.model.arrays import Ints
from crossproof.model.plates import Role
from crossproof.model.results import Provable
from crossproof.planning.power.bounds import FEW_BRANCHES
from crossproof.planning.power.evidence import contrast_table
from crossproof.planning.power.outcomes import MOST_BRANCHES
from crossproof.planning.power.screen import PairScreen
from crossproof.planning.season_inputs import PanelTyping, genotypes_of, panel_typing, plan_settings
from crossproof.season.evidence import JoinedSeason, batches_of, family_inputs, marker_mask
from crossproof.season.work_folder import WorkFolder

MANY_PAIRS = 100
"""More pairs of lines than this are looked at less closely: near the threshold more are called borderline."""


def typing_of(
    panel: Panel, wells: Wells, samples: pd.DataFrame, located: Ints, marker_sheet: pd.DataFrame | None
) -> PanelTyping:
    """Where the season's lines and progeny have calls; marker_sheet: the season's, None where it has none."""
    progeny = np.flatnonzero((samples["role"] == Role.PROGENY).to_numpy() & (located >= 0))
    return panel_typing(panel, wells, progeny if len(progeny) else None, marker_sheet)


def write_typing(folder: WorkFolder, typing: PanelTyping) -> None:
    """Keep where lines and progeny have calls, so that nobody need read the calls again to know."""
    arrays = {"typed": typing.typed, "on_panel": typing.on_panel, "cost": typing.cost}
    write_arrays(folder.work("panel", "typing"), {}, arrays)


def read_typing(folder: WorkFolder) -> PanelTyping:
    """What `write_typing` kept."""
    _, arrays = read_arrays(folder.work("panel", "typing"))
    return PanelTyping(np.array(arrays["typed"]), np.array(arrays["on_panel"]), np.array(arrays["cost"]))


def provable_crosses(
    config: Config,
    joined: JoinedSeason,
    panel: Panel,
    samples: pd.DataFrame,
    crosses: pd.DataFrame,
    located: Ints,
    typing: PanelTyping,
    each: Each = one_by_one,
) -> Mapping[str, Provable]:
    """By cross_id of every cross with a plant that has calls: whether it can be proven.

    A cross is looked at with the markers of the files that its plants are in; crosses of the same lines and
    files share the answer. `each` calls a function with every such pair of lines.
    """
    genotypes = genotypes_of(panel, joined.markers, typing)
    settings = plan_settings(config, panel)
    fixed = contrast_table(genotypes, settings.clear_share)
    on_panel = genotypes.usable & genotypes.on_panel
    if not on_panel.any():
        return {}  # hardly a call anywhere: that says nothing of the parents
    place = {line: i for i, line in enumerate(genotypes.lines)}
    alike: dict[tuple[int, int, bytes], list[str]] = {}
    masks: dict[tuple[int, ...], bytes] = {}
    out: dict[str, Provable] = {}
    at = located.tolist()
    for family in family_inputs(samples, crosses):
        batches = batches_of(family, at)
        if not batches:
            continue
        mother, father = place.get(family.mother, -1), place.get(family.father, -1)
        if mother < 0 or father < 0:
            out[family.cross_id] = Provable.UNTYPED
            continue
        if batches not in masks:
            masks[batches] = (marker_mask(joined, batches) & on_panel).tobytes()
        key = mother, father, masks[batches]
        alike.setdefault(key, []).append(family.cross_id)
    branches = MOST_BRANCHES if len(alike) <= MANY_PAIRS else FEW_BRANCHES
    screens = {}
    for mask in {mask for _, _, mask in alike}:
        here = np.where(np.frombuffer(mask, dtype=bool)[:, None], fixed, -1).astype(np.int8)
        screens[mask] = PairScreen(genotypes, here, settings)
    segregating = {i for i, line in enumerate(genotypes.lines) if panel.segregates(line)}

    def state_of(pair: tuple[int, int, bytes]) -> Provable:
        mother, father, mask = pair
        state = screens[mask].state(mother, father, branches)
        if state is Provable.NO and not segregating.isdisjoint((mother, father)):
            # Seed of an F1 is told by what segregates, not by fixed differences: plants get their verdicts.
            return Provable.PARTLY
        return state

    for names, state in zip(alike.values(), each(state_of, list(alike)), strict=True):
        out |= dict.fromkeys(names, state)
    return out
