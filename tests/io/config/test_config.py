"""config.yaml: defaults are those of the design, mistakes are found together, nothing hostile is run."""

from __future__ import annotations

import pickle
from dataclasses import fields
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from season_builder import BASE

from crossproof.errors import InputError, Problem
from crossproof.io.config.schema import config_schema, schema_text
from crossproof.io.config.season_config import Config, find_config, read_config
from crossproof.io.config.yaml_text import read_yaml
from crossproof.model.declaration import SETTINGS, ValueKind
from crossproof.model.genotypes import Evidence
from crossproof.season.templates import config_text

SCHEMA = Path(__file__).parents[3] / "workflow" / "schemas" / "config.schema.yaml"
BASE_TEXT = (BASE / "config.yaml").read_text(encoding="utf-8")


def season(folder: Path, text: str) -> Path:
    """A folder with the files that the base configuration names."""
    for name in ("samples/a.csv", "genotypes/plate1.csv", "crosses.csv"):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x\n", encoding="utf-8")
    (folder / "config.yaml").write_text(text, encoding="utf-8")
    return folder


def test_defaults_are_those_of_the_design() -> None:
    """Values from model.md and design.md."""
    config = read_config(BASE)
    assert config.min_posterior == 0.95
    assert config.target_hybrids == 4
    assert (config.false_heterozygote, config.dropout, config.swap) == (0.005, 0.02, 0.002)
    assert (config.floor, config.read_error, config.overdispersion) == (0.005, 0.01, 0.02)
    assert (config.parent_departure, config.inbreeding) == (0.02, 0.98)
    assert config.class_prior == (6.0, 3.0, 0.8, 0.2)
    assert config.panel_donor_share == 0.7
    assert (config.max_markers, config.max_markers_per_cross) == (20_000, 2_000)
    assert (config.min_group_plants, config.min_group_tags) == (20, 5)
    assert (config.max_false_heterozygote, config.line_conflict) == (0.15, 0.10)
    assert config.evidence is Evidence.AUTO


def test_every_declared_setting_is_a_field_with_the_same_default() -> None:
    names = {f.name for f in fields(Config)}
    config = read_config(BASE)
    for setting in SETTINGS:
        assert setting.name in names
        if not setting.required:
            assert getattr(config, setting.name) == setting.default, setting.name


def test_schema_file_equals_the_declaration() -> None:
    assert SCHEMA.read_text(encoding="utf-8") == schema_text()
    assert yaml.safe_load(schema_text()) == config_schema()


def test_schema_accepts_the_base_and_rejects_unknown_keys() -> None:
    schema = config_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    document = yaml.safe_load(BASE_TEXT)
    jsonschema.validate(document, schema)
    with pytest.raises(jsonschema.ValidationError, match="min_posteriour"):
        jsonschema.validate({**document, "min_posteriour": 0.9}, schema)
    with pytest.raises(jsonschema.ValidationError, match="is greater than"):
        jsonschema.validate({**document, "dropout": 3}, schema)


def test_each_default_is_allowed_by_the_schema_and_by_the_reader(tmp_path: Path) -> None:
    """Every commented setting of a new season's config.yaml may be uncommented as it stands."""
    text = config_text()
    for setting in SETTINGS:
        if setting.kind not in (ValueKind.PATH, ValueKind.HEADINGS) and not setting.required:
            assert f"\n#{setting.name}:" in text
            text = text.replace(f"\n#{setting.name}:", f"\n{setting.name}:")
    jsonschema.validate(yaml.safe_load(text), config_schema())
    config = read_config(season(tmp_path, text))
    assert config.class_prior == (6.0, 3.0, 0.8, 0.2)
    assert config.max_markers == 20_000
    assert config.currency == ""


def test_all_lifts_the_limits(tmp_path: Path) -> None:
    config = read_config(season(tmp_path, BASE_TEXT + "max_markers: all\nmax_markers_per_cross: All\n"))
    assert config.max_markers is None
    assert config.max_markers_per_cross is None
    assert config.to_dict()["max_markers"] == "all"


def test_all_mistakes_are_told_at_once_in_order_of_lines(tmp_path: Path) -> None:
    text = BASE_TEXT + "colour: green\ntarget_hybrids: many\nallow_outside: maybe\nevidence: reads\n"
    with pytest.raises(InputError) as caught:
        read_config(season(tmp_path, text))
    assert [(p.row, p.value) for p in caught.value.problems] == [
        (5, "colour"),
        (6, "many"),
        (7, "maybe"),
        (8, "reads"),
    ]


def test_a_genotype_file_inherits_what_the_season_says(tmp_path: Path) -> None:
    text = BASE_TEXT.replace("layout: wide", 'missing: [".."]') + "evidence: calls\nmissing: [fail]\n"
    file = read_config(season(tmp_path, text)).genotypes[0]
    assert file.evidence is Evidence.CALLS
    assert file.missing == ("fail", "..")
    assert file.layout is None


def test_one_sample_pattern_may_stand_without_brackets(tmp_path: Path) -> None:
    config = read_config(season(tmp_path, BASE_TEXT.replace("[samples/*.csv]", "samples/*.csv")))
    assert [p.name for p in config.sample_files] == ["a.csv"]


def test_sample_files_come_once_each_sorted_without_lock_files(tmp_path: Path) -> None:
    folder = season(tmp_path, BASE_TEXT.replace("[samples/*.csv]", "[samples/*.csv, samples/b.csv]"))
    for name in ("b.csv", "~$b.csv", ".~lock.b.csv"):
        (folder / "samples" / name).write_text("x", encoding="utf-8")
    assert [p.name for p in read_config(folder).sample_files] == ["a.csv", "b.csv"]


def test_allow_outside_lets_a_path_leave_the_folder(tmp_path: Path) -> None:
    text = BASE_TEXT.replace("crosses: crosses.csv", "crosses: ../shared.csv") + "allow_outside: true\n"
    folder = season(tmp_path / "season", text)
    (tmp_path / "shared.csv").write_text("x", encoding="utf-8")
    assert read_config(folder).crosses_file.resolve() == (tmp_path / "shared.csv").resolve()


def test_a_folder_whose_name_begins_alike_is_outside(tmp_path: Path) -> None:
    folder = season(tmp_path / "season", BASE_TEXT.replace("crosses: crosses", "crosses: ../season2/crosses"))
    (tmp_path / "season2").mkdir()
    (tmp_path / "season2" / "crosses.csv").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="out of the season folder"):
        read_config(folder)


def test_a_linked_season_folder_is_no_way_out(tmp_path: Path) -> None:
    folder = season(tmp_path / "real", BASE_TEXT)
    (tmp_path / "link").symlink_to(folder)
    assert read_config(tmp_path / "link").crosses == "crosses.csv"


def test_a_linked_sample_sheet_outside_is_refused(tmp_path: Path) -> None:
    folder = season(tmp_path / "season", BASE_TEXT)
    (tmp_path / "secret.csv").write_text("x", encoding="utf-8")
    (folder / "samples" / "link.csv").symlink_to(tmp_path / "secret.csv")
    with pytest.raises(InputError, match="out of the season folder"):
        read_config(folder)


def test_optional_sheets_are_found_by_their_usual_names(tmp_path: Path) -> None:
    folder = season(tmp_path, BASE_TEXT)
    assert read_config(folder).markers_file is None
    (folder / "markers.csv").write_text("marker\n", encoding="utf-8")
    config = read_config(folder)
    assert config.markers == "markers.csv"
    assert config.markers_file == folder / "markers.csv"


def test_no_folder_and_no_config_say_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="crossproof new"):
        find_config(tmp_path / "nothing")
    with pytest.raises(InputError, match=r"no config\.yaml"):
        find_config(tmp_path)


def test_configuration_survives_pickling() -> None:
    config = read_config(BASE)
    assert pickle.loads(pickle.dumps(config)) == config


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.binary(max_size=200) | st.text(alphabet="a:-[]{}&*!\"'#|>% \n\t,1", max_size=80).map(str.encode))
def test_any_bytes_are_read_or_refused_with_a_remedy(data: bytes) -> None:
    problems: tuple[Problem, ...] = ()
    try:
        found = read_yaml(data, file="config.yaml")
    except InputError as refusal:
        problems = refusal.problems
    else:
        assert len({key.text for key, _ in found.items}) == len(found.items)
    assert all(p.remedy and p.file == "config.yaml" for p in problems)
