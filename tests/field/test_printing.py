"""Which tags are printed, and what is kept of them."""

from __future__ import annotations

import pytest
from nursery import make_nursery

from crossproof.errors import InputError, UsageError
from crossproof.field.printing import (
    MOST_AT_ONCE,
    empty_tags,
    flowers_of_plan,
    open_field,
    planned_tags,
    tags_again,
    write_issued,
)
from crossproof.io.records.issued_tags import read_issued
from crossproof.model.tag_numbers import verify


def test_planned_crosses_get_tags_in_walking_order_without_any_plan_or_calls(tmp_path):
    field = open_field(make_nursery(tmp_path / "n", printed=False), "2027")
    made = planned_tags(field)
    assert [t.planned for t in made.tags] == ["P003", "P001", "P002", "P004"]
    assert [t.number.serial for t in made.tags] == [1, 2, 3, 4]
    assert all(verify(t.name, "2027") for t in made.tags)
    first = made.tags[1]
    assert (first.mother, first.father, first.flowers) == ("Lark", "Wren", 5)
    assert (first.week, first.operator, first.place) == ("2027-W23", "Ana", "house 1 bench 2")


def test_what_was_printed_comes_back_and_is_not_printed_again(tmp_path):
    folder = make_nursery(tmp_path / "n")
    issued, problems = read_issued(folder)
    assert problems == ()
    assert issued.tags == planned_tags(open_field(make_nursery(tmp_path / "m", printed=False), "2027")).tags
    assert planned_tags(open_field(folder)).tags == ()
    more = (folder / "planned.csv").read_text() + "P005,Robin,Lark,,,,\n"
    (folder / "planned.csv").write_text(more)
    made = planned_tags(open_field(folder))
    assert [(t.planned, t.number.serial) for t in made.tags] == [("P005", 5)]
    assert made.issued.tags[:4] == issued.tags


def test_a_row_put_into_the_list_moves_no_tag(tmp_path):
    planned = "mother,father\nLark,Wren\nRobin,Wren\nLark,Wren\n"
    folder = make_nursery(tmp_path / "n", planned)
    assert len(read_issued(folder)[0].tags) == 3
    (folder / "planned.csv").write_text("mother,father\nCrane,Lark\nLark,Wren\nLark,Wren\nRobin,Wren\n")
    made = planned_tags(open_field(folder))
    assert [(t.mother, t.father) for t in made.tags] == [("Crane", "Lark")]
    write_issued(folder, made.issued)
    assert planned_tags(open_field(folder)).tags == ()


def test_as_many_tags_as_the_flowers_need(tmp_path):
    field = open_field(make_nursery(tmp_path / "n", printed=False), "2027")
    made = planned_tags(field, flowers_per_tag=2)
    assert [(t.planned, t.flowers) for t in made.tags] == [
        *[("P003", 2), ("P003", 1)],
        *[("P001", 2), ("P001", 2), ("P001", 1)],
        ("P002", 2),
        ("P004", 0),
    ]


def test_flowers_that_the_plan_computed_are_taken_where_the_list_says_none(tmp_path):
    folder = make_nursery(tmp_path / "n", printed=False)
    plan = folder / "results" / "plan" / "plan_numbers.csv"
    plan.parent.mkdir(parents=True)
    plan.write_text(
        "cross_id,mother,father,flowers_to_pollinate,flowers_planned\n"
        "P001,Lark,Wren,9,5\nP004,Crane,Lark,7,0\nP002,Robin,Lark,8,0\n"
    )
    assert flowers_of_plan(folder)["P004", "Crane", "Lark"] == 7
    flowers = {t.planned: t.flowers for t in planned_tags(open_field(folder)).tags}
    # P002 of the plan is another cross than P002 of the list.
    assert flowers == {"P001": 5, "P002": 2, "P003": 3, "P004": 7}


def test_empty_tags_count_on(tmp_path):
    folder = make_nursery(tmp_path / "n")
    made = empty_tags(open_field(folder), 3)
    assert [t.number.serial for t in made.tags] == [5, 6, 7]
    assert all(t.empty for t in made.tags)
    write_issued(folder, made.issued)
    assert read_issued(folder)[0] == made.issued


def test_a_lost_tag_is_printed_again_as_it_was(tmp_path):
    field = open_field(make_nursery(tmp_path / "n"))
    second = field.issued.tags[1]
    made = tags_again(field, [second.name])
    assert (made.tags, made.new, made.issued) == ((second,), 0, field.issued)
    with pytest.raises(UsageError, match=f"Did you mean {second.name}"):
        tags_again(field, [second.name.lower()])
    with pytest.raises(InputError) as refused:
        tags_again(field, ["0001A", "nonsense"])
    assert len(refused.value.problems) == 2


@pytest.mark.parametrize(
    ("config", "planned", "said", "season"),
    [
        ("", "P1,Lark,Wren,,2031-W02,,", "", "2031"),
        ('season: "2030"\n', "P1,Lark,Wren,,2031-W02,,", "", "2030"),
        ("season: spring\n", "P1,Lark,Wren,,2031-W02,,", "", "2031"),
        ('season: "2030"\n', "P1,Lark,Wren,,2031-W02,,", "20312", "20312"),
    ],
)
def test_where_the_season_comes_from(tmp_path, config, planned, said, season):
    head = "cross_id,mother,father,flowers,week,operator,place\n"
    folder = make_nursery(tmp_path / "n", head + planned + "\n", printed=False)
    with (folder / "config.yaml").open("a") as handle:
        handle.write(config)
    assert open_field(folder, said).season == season


def test_one_folder_one_season(tmp_path):
    folder = make_nursery(tmp_path / "n")
    assert open_field(folder).season == "2027"
    with pytest.raises(UsageError, match="were printed for season 2027"):
        open_field(folder, "2028")
    with pytest.raises(UsageError, match="four to six digits"):
        open_field(folder, "spring")


def test_faults_of_the_list_stop_the_printing(tmp_path):
    planned = "cross_id,mother,father,week\nP1,Lark,Lark,\nP1,Lark,,june\nP3,Lark,Wr\u2028en,\n"
    with pytest.raises(InputError) as refused:
        open_field(make_nursery(tmp_path / "n", planned, printed=False), "2027")
    told = " ".join(p.problem for p in refused.value.problems)
    for part in ("same line", "father is missing", "not a week", "appears twice"):
        assert part in told
    folder = make_nursery(tmp_path / "m", printed=False)
    (folder / "planned.csv").unlink()
    bare = open_field(folder, "2027")
    with pytest.raises(UsageError, match="no list of planned crosses"):
        planned_tags(bare)
    with pytest.raises(UsageError, match="more than can be printed at once"):
        empty_tags(bare, MOST_AT_ONCE + 1)
