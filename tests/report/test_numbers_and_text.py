"""Numbers as readers see them, and names that cannot do harm."""

import numpy as np
import pandas as pd
import pytest
from report_parts import HOSTILE

from crossproof.report.content import numbers as fmt
from crossproof.text import shown


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0, "0 %"), (0.5, "50 %"), (1.0, "100 %"), (0.005, "0.5 %"), (0.996, "99.6 %"),
        (0.99999, "over 99.9 %"), (0.00001, "under 0.1 %"), (0.125, "13 %"), (float("nan"), ""),
    ],
)  # fmt: skip
def test_a_share_never_rounds_to_certainty(value, said):
    assert fmt.share(value) == said.replace(" %", "\u00a0%")


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.95, "0.950"), (0.99996, "> 0.999"), (1.0, "> 0.999"), (0.00001, "< 0.001"), (0.0, "< 0.001")],
)
def test_a_probability_is_never_0_or_1(value, said):
    assert fmt.probability(value) == said


@pytest.mark.parametrize(
    ("power", "said"), [(0.0, "1.0"), (1.0, "10"), (-2.0, "100"), (17.8, "10¹⁸"), (-3.2, "10³")]
)
def test_a_factor_is_a_power_of_ten_once_it_is_large(power, said):
    assert fmt.factor(power) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (2.345, "2.35"), (0.004, "0.0040"), (1.06e32, "over 10,000"), (float("inf"), "over 10,000"),
        (3e-9, "under 0.0001"), (float("nan"), ""),
    ],
)  # fmt: skip
def test_an_odds_ratio_beyond_reading_is_only_said_to_be(value, said):
    assert fmt.odds(value) == said


@pytest.mark.parametrize("value", [1.05e32, -1.7e308])
def test_no_number_is_too_large_to_print(value):
    assert float(fmt.decimal(value)) == value


def test_an_interval_says_its_unit_once():
    assert fmt.interval(0.48, 0.66) == "48 to 66\u00a0%"
    assert fmt.interval(float("nan"), 0.66) == ""


@pytest.mark.parametrize("name", HOSTILE)
def test_shown_text_holds_no_control_or_hidden_direction(name):
    text = shown(name)
    assert not any(ord(c) < 32 or c in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069" for c in text)
    assert shown(text) == text, "a second pass must change nothing"


def test_direction_marks_are_spelled_out_and_emoji_stay():
    assert shown("\u202eabc") == "[U+202E]abc"
    assert shown("seedling \U0001f331") == "seedling \U0001f331"
    assert shown("a\x1b[31mb\x00c\x07") == "a[31mbc"


@pytest.mark.parametrize("missing", [None, float("nan"), np.nan, pd.NA, pd.NaT])
def test_missing_values_are_empty(missing):
    assert shown(missing) == ""


def test_a_moment_is_said_as_a_reader_says_it():
    assert fmt.moment("2026-11-08T08:26:34+00:00") == "8 November 2026, 08:26 UTC"
    assert fmt.moment("2026-11-08T08:26:34") == "8 November 2026, 08:26"
    assert fmt.moment("") == ""
    assert fmt.moment("lately") == "lately"
