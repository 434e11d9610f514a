"""What charts are laid out with: the library's own letters, or the system's where names need them."""

import json
import os
import xml.etree.ElementTree as ET
from pathlib import Path

import pandas as pd
import pytest
import vl_convert

from crossproof.report.content.blocks import ChartForm, ChartSpec
from crossproof.report.draw.charts import draw_all
from crossproof.report.draw.letters import NO_FONTS, letters_for


def dots(name):
    frame = pd.DataFrame(
        {"level": [name, "plain"], "rate": [0.4, 0.5], "low": 0.3, "high": 0.6, "raw": 0.45, "n": 10}
    )
    return ChartSpec(ChartForm.DOTS, frame, {"title": "rate", "upright": False})


@pytest.mark.parametrize("name", ["Ana", "Ágnes Žába", "Ελένη", "Ирина", "… − ≥ 2 →", "a\\b"])
def test_known_scripts_need_no_font_of_the_system(name, monkeypatch):
    monkeypatch.setenv("FONTCONFIG_FILE", "mine")
    with letters_for([ascii(name)]):
        assert os.environ["FONTCONFIG_FILE"] == str(NO_FONTS)
    assert os.environ["FONTCONFIG_FILE"] == "mine"


@pytest.mark.parametrize("name", ["王", "निशा", "ليلى", "ᏣᎳᎩ", "שרה", "🌱"])
def test_other_scripts_are_measured_in_the_fonts_of_the_system(name, monkeypatch):
    monkeypatch.delenv("FONTCONFIG_FILE", raising=False)
    with letters_for([json.dumps("plain"), json.dumps(name)]):
        assert "FONTCONFIG_FILE" not in os.environ


def test_charts_are_drawn_so(monkeypatch):
    seen = []

    def told(text, **more):
        seen.append(os.environ.get("FONTCONFIG_FILE", ""))
        return '<svg width="1" height="1"></svg>'

    monkeypatch.setattr(vl_convert, "vegalite_to_svg", told)
    monkeypatch.delenv("FONTCONFIG_FILE", raising=False)
    draw_all([dots("Ana"), dots("Bo")])
    assert seen == [str(NO_FONTS)] * 2
    draw_all([dots("Ana"), dots("王")])
    assert seen[2:] == ["", ""], "one process knows one set of fonts"


def test_the_list_names_a_folder_that_is_not_there():
    folders = [Path(e.text) for e in ET.parse(NO_FONTS).getroot().iter("dir")]
    assert folders
    assert not any(folder.exists() for folder in folders)
