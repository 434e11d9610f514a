"""Problems by cause, each with the rows in question."""

from __future__ import annotations

from desks import Visitor, copy_of_demo, words


def with_typing_errors(tmp_path):
    season = copy_of_demo(tmp_path / "demo")
    sheet = season / "crosses.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith("cross_id"))
    at = lines[head].split(",").index("flowers")
    for i in (head + 1, head + 3):
        cells = lines[i].split(",")
        cells[at] = "<b>many</b>"
        lines[i] = ",".join(cells)
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return Visitor(tmp_path), head


def test_a_cause_is_told_once_with_its_rows(tmp_path):
    visitor, head = with_typing_errors(tmp_path)
    page = visitor.get("/season/demo/problems")
    assert page.text.count("<article") >= 1
    assert page.text.count("<mark>&lt;b&gt;many&lt;/b&gt;</mark>") == 2
    assert f'<th scope="row">{head + 2}</th>' in page.text
    assert "How to fix it:" in words(page)
    assert "Mend crosses.csv here" in words(page)
    assert "<b>many" not in page.text
    assert "of errors in the files" in words(visitor.get("/season/demo"))


def test_a_mended_file_is_checked_again(tmp_path):
    visitor, _ = with_typing_errors(tmp_path)
    assert "of errors" in words(visitor.get("/season/demo/problems"))
    sheet = tmp_path / "demo" / "crosses.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("<b>many</b>", "4"), encoding="utf-8")
    assert "the season can be run" in words(visitor.get("/season/demo/problems"))


def test_a_season_without_a_usable_configuration_has_its_pages(tmp_path):
    season = copy_of_demo(tmp_path / "demo")
    (season / "config.yaml").write_text("crosses: [", encoding="utf-8")
    visitor = Visitor(tmp_path)
    for part in ("", "/problems", "/files", "/run", "/results"):
        assert visitor.get(f"/season/demo{part}").status_code == 200
    assert "config.yaml" in words(visitor.get("/season/demo/problems"))
