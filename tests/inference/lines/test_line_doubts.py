"""What tags say together of a line's tubes, against the sum over every genotype the line may have instead."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from crossproof.inference.lines.doubt import (
    MOST_LINES,
    Doubt,
    DoubtPart,
    doubt_from_dict,
    doubts_from_arrays,
    doubts_to_arrays,
)
from crossproof.inference.lines.line_doubts import UNTYPED_SHARE, WRONG_IN_FIELD, tube_belief
from crossproof.inference.lines.panel_block import PanelBlock

H, WRONG_PLANT, INBREEDING, LINES = 0.02, 0.03, 0.98, 9
POOL = np.array([[0.5, 0.5]] * 6)
BLOCK = PanelBlock(2, False, np.arange(6), np.zeros((6, 1, 3), dtype=np.float32), POOL)


def doubt(name, genotypes, *, sure=200.0, log_typed=-60.0, log_plant=-36.0, log_tube=-30.0):
    """A tag whose plants demand these genotypes (marker,) of the parent, 0 to 2."""
    pool = BLOCK.pool(INBREEDING)
    ratio = np.full((6, 3), 1.0)
    ratio[np.arange(6), genotypes] = sure
    ratio /= (ratio * pool).sum(axis=1, keepdims=True)
    part = DoubtPart(2, False, np.arange(6), ratio.astype(np.float16))
    return Doubt(name, "LN05", log_typed, log_plant, log_tube, (part,), (), ())


def exact_odds(doubts, log_odds):
    """Log odds of a wrong tube by summing over every genotype of the line, each marker of three."""
    pool = BLOCK.pool(INBREEDING)
    wrong = 0.0
    for genotype in itertools.product(range(3), repeat=6):
        weight = pool[np.arange(6), genotype].prod()
        for d in doubts:
            ratio = d.parts[0].ratio.astype(float)[np.arange(6), genotype]
            of_line = np.log1p(-WRONG_PLANT) + d.log_tube + np.log((1 - H) * ratio + H).sum()
            weight = weight * (np.exp(of_line) + np.exp(d.log_plant))
        wrong += weight
    right = sum(np.logaddexp(d.log_typed, d.log_plant) for d in doubts)
    named = LINES * ((1 - UNTYPED_SHARE) / LINES) * np.exp(sum(d.log_plant for d in doubts))
    return log_odds + np.log(UNTYPED_SHARE * wrong + named) - right


def belief(doubts, log_odds=-7.0):
    log_field = np.log(WRONG_IN_FIELD / (1 - WRONG_IN_FIELD))
    return tube_belief(log_odds, log_field, doubts, (BLOCK,), H, INBREEDING, WRONG_PLANT, LINES)


@pytest.mark.parametrize(
    ("others", "within"),
    [
        (([0, 2, 0, 2, 2, 0],), 0.3),
        (([0, 2, 0, 2, 2, 0], [0, 2, 0, 2, 2, 2]), 0.3),
        # Contradicting tags are heard one after another: which one is of the line is settled too soon.
        (([2, 0, 2, 0, 0, 2],), 0.8),
    ],
)
def test_odds_are_those_of_the_full_sum(others, within):
    tags = [doubt("C1", [0, 2, 0, 2, 2, 0])] + [doubt(f"C{i + 2}", g) for i, g in enumerate(others)]
    assert belief(tags).log_odds == pytest.approx(exact_odds(tags, -7.0), abs=within)


def test_tags_that_agree_speak_for_a_wrong_tube_and_those_that_contradict_each_other_do_not():
    one = [doubt("C1", [0, 2, 0, 2, 2, 0])]
    agree = [*one, doubt("C2", [0, 2, 0, 2, 2, 0]), doubt("C3", [0, 2, 0, 2, 2, 0])]
    contradict = [*one, doubt("C2", [2, 0, 2, 2, 0, 0]), doubt("C3", [2, 0, 0, 0, 0, 2])]
    assert belief(agree).log_odds > belief(one).log_odds + 10
    assert belief(contradict).log_odds < belief(one).log_odds + 3
    # What the agreeing tags demand is learned; of a wrong plant in all of them it is as true.
    assert belief(agree).modes[0].learned[0].argmax(axis=1).tolist() == [0, 2, 0, 2, 2, 0]
    assert belief(agree).log_odds_field - belief(agree).log_odds == pytest.approx(
        belief(one).log_odds_field - belief(one).log_odds
    )


def test_no_tag_changes_nothing():
    assert belief([]).log_odds == -7.0
    assert belief([]).modes == ()


def test_doubts_are_kept_to_the_digit():
    tags = [doubt("C1", [0, 2, 0, 2, 2, 0]), doubt("C2", [2, 0, 2, 2, 0, 0])]
    ids = [f"m{i}" for i in range(6)]
    written = [d.to_dict(lambda r: [ids[r], "A", "G"]) for d in tags]
    read = [doubt_from_dict(w, lambda m: ids.index(m[0])) for w in written]
    stored = doubts_from_arrays(doubts_to_arrays(tags))
    for before, one, two in zip(tags, read, stored, strict=True):
        for after in (one, two):
            assert (after.cross_id, after.line, after.log_tube) == (
                before.cross_id,
                before.line,
                before.log_tube,
            )
            np.testing.assert_array_equal(after.parts[0].ratio, before.parts[0].ratio)
            np.testing.assert_array_equal(after.parts[0].rows, before.parts[0].rows)


def test_a_damaged_doubt_is_refused():
    written = doubt("C1", [0, 2, 0, 2, 2, 0]).to_dict(lambda r: [f"m{r}", "A", "G"])
    written["parts"][0]["markers"].pop()
    with pytest.raises(ValueError, match=r"^the doubt of C1 has 31 bytes where 30 belong$"):
        doubt_from_dict(written, lambda m: 0)


def test_a_line_that_a_tag_does_not_name_among_its_best_is_as_good_as_the_last_of_them():
    # The tag is explained otherwise and all lines fit alike: it names eight, and rules out none.
    names = tuple(f"LN{i:02}" for i in range(10, 10 + MOST_LINES))
    flat = Doubt("C1", "LN05", -40.0, -36.0, -42.0, (), names, (-42.0,) * MOST_LINES)
    told = tube_belief(-7.0, -7.0, (flat,), (BLOCK,), H, INBREEDING, WRONG_PLANT, 20)
    assert told.log_line("LN99", 20) == pytest.approx(told.log_line("LN10", 20))
    shares = [told.log_untyped, *(told.log_line(f"LN{i:02}", 20) for i in range(10, 30))]
    assert np.logaddexp.reduce(shares) == pytest.approx(0.0)
    # Where there are no more lines than it names, one that is not among them is out of the question.
    few = replace(flat, log_plant=-1e9, lines=names[:3], log_lines=(-42.0,) * 3)
    told = tube_belief(-7.0, -7.0, (few,), (BLOCK,), H, INBREEDING, WRONG_PLANT, 3)
    assert told.log_line("LN99", 3) < -1e5
