"""Tags of which the crossed plants wait count in no rate: their selfs alone have verdicts."""

from __future__ import annotations

import pandas as pd
import pytest

from crossproof.rates.tables.season import RateOptions, crosses_table, operators_table, season_summary

OPTIONS = RateOptions()
WAITING = {
    "retest": ("undetermined", "retest", "parents unresolved"),
    "untyped father": ("undetermined", "retest", "crossed, father unproven"),
    "hold": ("hybrid", "hold", "tag or tube in doubt"),
}


def season(waiting: tuple[str, str, str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Tag A, 3 hybrids and 1 self; tag B, 2 selfs and 6 plants that wait. One person made both."""
    crosses = pd.DataFrame(
        {
            "cross_id": ["A", "B"],
            "mother": "LN01",
            "father": ["LN02", "LN03"],
            "operator": "Ilse",
            "flowers": 4,
        }
    )
    kinds = [("A", "hybrid", "keep", "")] * 3 + [("A", "self", "cull", "")]
    kinds += [("B", "self", "cull", "")] * 2 + [("B", *waiting)] * 6
    rows = [
        {"plant": f"P{i}", "cross_id": c, "verdict": v, "decision": d, "reason": r,
         "p_hybrid": float(v != "self"), "p_self": float(v == "self"),
         "p_outcross": 0.0, "p_off_pedigree": 0.0}
        for i, (c, v, d, r) in enumerate(kinds)
    ]  # fmt: skip
    return crosses, pd.DataFrame(rows)


@pytest.mark.parametrize("waiting", WAITING.values(), ids=WAITING)
def test_selfs_of_a_waiting_tag_are_nobodys_selfing_rate(waiting: tuple[str, str, str]) -> None:
    crosses, verdicts = season(waiting)
    person = operators_table(crosses, verdicts, OPTIONS).iloc[0]
    # by hand: 1 self of the 4 plants of tag A; of tag B, 2 of 8 plants are known, both selfs
    assert (person["determined"], person["counted"], person["self"], person["counted_self"]) == (6, 4, 3, 1)
    assert person["selfing_rate"] == pytest.approx(1 / 4)
    assert person["hybrid_rate"] == pytest.approx(3 / 4)
    tag = crosses_table(crosses, verdicts, OPTIONS).set_index("cross_id").loc["B"]
    assert (tag["self"], tag["determined"], tag["counted"]) == (2, 2, 0)
    assert pd.isna(tag["selfing_rate"])
    assert (tag["selfing_rate_low"], tag["selfing_rate_high"]) == (0, 1) or pd.isna(tag["selfing_rate_low"])
    assert season_summary(crosses, verdicts, OPTIONS)["selfing_rate"] == pytest.approx(1 / 4)


def test_a_second_sample_of_one_plant_makes_no_tag_wait() -> None:
    crosses, verdicts = season(("undetermined", "retest", "low call rate"))
    person = operators_table(crosses, verdicts, OPTIONS).iloc[0]
    assert (person["determined"], person["counted"]) == (6, 6)
    assert person["selfing_rate"] == pytest.approx(3 / 6)
