"""Commands for what is carried to the plants: tags, book."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from crossproof.cli.group import FOLDER, example, guarded, main

PAPER = click.option(
    "--paper", default="a4", show_default=True, type=click.Choice(["a4", "letter", "roll"]),
    help="Paper; on a roll each label is a page of its own.",
)  # fmt: skip
SHEET = (
    PAPER,
    click.option("--margin", default=8.0, show_default=True, type=float, help="Margin at the edges, in mm."),
    click.option("--gap", default=0.0, show_default=True, type=float, help="Gap between labels, in mm."),
)
"""Options of every sheet of labels."""


@main.command(epilog=example("crossproof tags nursery_2027 --paper roll --size 90x50"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--empty", type=click.IntRange(1), help="Print so many tags without parents instead.")
@click.option(
    "--again", multiple=True, metavar="TAG", help="Print this tag once more. May be given several times."
)
@click.option("--flowers-per-tag", default=0, type=click.IntRange(0), help="As many tags as flowers need.")
@click.option("--season", default="", help="Season in the code: a year, and a further digit where needed.")
@click.option("--size", default="90x50", show_default=True, help="Width x height of a tag, in mm.")
@click.option(
    "--hole",
    default=8.0,
    show_default=True,
    type=click.FloatRange(0, 40),
    help="Left free at the left edge, in mm.",
)
@click.option("--note", default="", help="A line of your own on every tag, such as a biosafety mark.")
@click.option(
    "--people", is_flag=True, help="Print on each tag who is to make the cross; anybody can read it."
)
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="Default: in DIR/field, by its numbers."
)
@PAPER
@SHEET[1]
@SHEET[2]
@guarded
def tags(
    folder: Path,
    empty: int | None,
    again: tuple[str, ...],
    flowers_per_tag: int,
    season: str,
    size: str,
    hole: float,
    note: str,
    people: bool,
    out: Path | None,
    paper: str,
    margin: float,
    gap: float,
) -> int:
    """Print tags for the planned crosses that have none yet: number, parents, fields, QR code.

    The crosses are those of planned.csv, whether or not a plan was made. Writes a page to print, and adds the
    tags to DIR/tags.csv, against which `crossproof check` reads the crossing book.
    """
    from crossproof.field.printing import empty_tags, open_field, planned_tags, tags_again, write_issued
    from crossproof.field.sheets import Paper, read_size, sheet_of, write_page
    from crossproof.field.tags import tags_page
    from crossproof.text import count_of

    if again and (empty or flowers_per_tag):
        raise click.UsageError(
            "--again prints tags as they were: give it without --empty or --flowers-per-tag."
        )
    sheet = sheet_of(Paper(paper), read_size(size), margin=margin, gap=gap)
    field = open_field(folder, season)
    if again:
        made = tags_again(field, again)
    elif empty:
        made = empty_tags(field, empty)
    else:
        made = planned_tags(field, flowers_per_tag=flowers_per_tag)
    if not made.tags:
        click.echo("Every planned cross has its tags. To print one once more: --again TAG")
        return 0
    html = tags_page(field.title, made.tags, sheet, hole=hole, note=note, people=people)
    if made.new:
        write_issued(field.root, made.issued)
    first, last = made.tags[0].name, made.tags[-1].name
    name = f"tags_{first}.html" if first == last else f"tags_{first}-{last}.html"
    path = write_page(out or field.root / "field" / name, html)
    where = shlex.quote(str(folder))
    numbers = first if first == last else f"{first} to {last}"
    click.echo(f"{path}: {count_of(len(made.tags), 'tag')}, {numbers}, season {field.season}")
    if again:
        click.echo("Destroy the tags that these replace: two alike on two plants cannot be told apart.")
    else:
        click.echo(f"Print at 100 % scale. The book to carry with them: crossproof book {where}")
    return 0


@main.command(epilog=example("crossproof book nursery_2027"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option(
    "--paper",
    default="a4",
    show_default=True,
    type=click.Choice(["a4", "letter"]),
    help="Paper of the pages.",
)
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder. Default: DIR/field.")
@guarded
def book(folder: Path, paper: str, out: Path | None) -> int:
    """Write the crossing book: pages to carry, in walking order, and a workbook to fill in.

    The filled workbook goes in unchanged as the crosses sheet: name it in config.yaml under crosses. What the
    crosses sheet knows already is in it. A workbook that is there is never written over.
    """
    from crossproof.field.book import book_page, make_book
    from crossproof.field.book_xlsx import write_book
    from crossproof.field.sheets import Paper, write_page
    from crossproof.text import count_of

    made = make_book(folder)
    where = out or made.root / "field"
    workbook = write_book(made, where)
    page = write_page(where / "book.html", book_page(made, Paper(paper)))
    click.echo(f"{page}: {count_of(len(made.rows), 'tag')} in walking order, to print and carry")
    click.echo(f"{workbook}: the same to fill in; once it is filled in, write in config.yaml:")
    click.echo(f"  crosses: {workbook.relative_to(made.root).as_posix() if out is None else workbook}")
    click.echo("Then: " + f"crossproof check {shlex.quote(str(folder))}")
    return 0
