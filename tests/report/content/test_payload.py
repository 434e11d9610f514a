"""The embedded data: coded columns, packed genotypes, harmless JSON."""

import base64
import json
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from report_parts import HOSTILE

from crossproof.model.plant_calls import PlantCalls
from crossproof.report.content.payload import (
    choose_markers,
    coded,
    pack_two_bits,
    panel_variety,
    scaled,
    to_json,
)


def unpacked(packed, m):
    quads = np.stack([(packed >> s) & 3 for s in (0, 2, 4, 6)], axis=-1).reshape(len(packed), -1)[:, :m]
    return np.where(quads == 3, -1, quads).astype(np.int8)


def test_four_genotypes_make_one_byte_by_hand():
    """0 + 1*4 + 2*16 + 3*64 = 228; then 2 alone with three unknown: 2 + 3*4 + 3*16 + 3*64 = 254."""
    assert pack_two_bits(np.array([[0, 1, 2, -1, 2]], dtype=np.int8)).tolist() == [[228, 254]]


@settings(max_examples=30, deadline=None)
@given(arrays(np.int8, st.tuples(st.integers(1, 5), st.integers(1, 23)), elements=st.integers(-1, 2)))
def test_packing_can_be_undone(codes):
    assert np.array_equal(unpacked(pack_two_bits(codes), codes.shape[1]), codes)


def test_calls_in_the_payload_are_those_of_the_store(season, content):
    calls = content.payload["calls"]
    two = np.array(calls["two"], dtype=bool)
    raw = np.frombuffer(zlib.decompress(base64.b64decode(calls["packed"])), dtype=np.uint8)
    rows = unpacked(raw.reshape(len(season.verdicts) + len(calls["lines"]), -1), int(two.sum()))
    store = season.calls
    for i in (0, 7, 99):
        expected = store.plant_codes(season.verdicts["plant"].iloc[i])[store.n_alleles == 2]
        assert np.array_equal(rows[i], expected)
    assert np.array_equal(rows[len(season.verdicts) + 3], store.line_codes[store.n_alleles == 2, 3])
    wide = np.frombuffer(zlib.decompress(base64.b64decode(calls["wide"])), dtype=np.uint8)
    assert wide.size == (len(season.verdicts) + len(calls["lines"])) * int((~two).sum())


@settings(max_examples=40, deadline=None)
@given(st.lists(st.text(max_size=3), max_size=30))
def test_coded_columns_give_back_their_texts(values):
    column = coded(values)
    back = column["s"] if "s" in column else [column["d"][i] for i in column["i"]]
    assert back == values


def test_numbers_are_whole_over_a_power_of_ten():
    assert scaled(np.array([0.12345, np.nan, np.inf, 2.0]), 3) == {"q": 1000, "v": [123, None, None, 2000]}


@pytest.mark.parametrize("name", HOSTILE)
def test_json_cannot_leave_its_script_element(name):
    text = to_json({"name": name})
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == {"name": name}


def test_marker_choice_spreads_and_prefers_variety():
    lines = np.zeros((100, 6), dtype=np.int8)
    lines[[7, 33, 71, 92]] = [0, 2, 0, 2, 0, 2]
    store = PlantCalls(
        np.array([f"m{i}" for i in range(100)], dtype=object), np.array(["1"] * 100, dtype=object),
        np.arange(100), (("A", "G"),) * 100, (), np.zeros((100, 0), dtype=np.int8), tuple("abcdef"), lines,
    )  # fmt: skip
    assert choose_markers(store, 4).tolist() == [7, 33, 71, 92]
    assert choose_markers(store, 500).tolist() == list(range(100))


def test_variety_ignores_unknown_lines():
    """Two of four known lines differ from the others: 1 - (1/4 + 1/4) = 1/2."""
    assert panel_variety(np.array([[0, 0, 2, 2, -1]], dtype=np.int8)) == pytest.approx([0.5])
