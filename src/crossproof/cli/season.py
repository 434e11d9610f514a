"""Commands of a season: make, check, receive, run, plan, explain, correct, compare."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

from crossproof.cli.group import FOLDER, LIST_FILE, example, guarded, main


@main.command(epilog=example("crossproof new nursery_2027"))
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@guarded
def new(folder: Path) -> None:
    """Write a season folder to fill in, with one invented example row in each sheet."""
    from crossproof.season.templates import new_season

    new_season(folder)
    where = shlex.quote(str(folder))
    click.echo(f"{folder} is ready. Fill in crosses.csv and samples/. For each file of the laboratory, then:")
    click.echo(f"  crossproof receive {where} FILE\n  crossproof check {where}\n  crossproof run {where}")


@main.command(epilog=example("crossproof check nursery_2027"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--json", "as_json", is_flag=True, help="Print the problems as JSON, by cause, for programs.")
@guarded
def check(folder: Path, as_json: bool) -> int:
    """Find all problems of all files at once; compute nothing."""
    from crossproof.runner.terminal import show_checked
    from crossproof.steps.checking import acknowledged_in, check_season

    return show_checked(check_season(folder), acknowledged_in(folder), as_json=as_json)


@main.command(epilog=example("crossproof receive nursery_2027 ~/Downloads/plate2.xlsx"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.argument("file", metavar="FILE", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--batch", help="Name of the batch; by default the one in your sheets that fits.")
@click.option("--sheet", help="Sheet of a workbook that holds the calls.")
@click.option(
    "--layout", type=click.Choice(["wide", "wide-by-marker", "long"]), help="How the table is laid out."
)
@click.option("--names", type=LIST_FILE, help="List of two columns: the laboratory's sample names and yours.")
@click.option(
    "--marker-names", type=LIST_FILE, help="List of two columns: the laboratory's marker names and yours."
)
@click.option("--plate", help="Your name of the plate, where the laboratory has its own.")
@click.option("--missing", multiple=True, help="A code that means no call. May be given several times.")
@click.option(
    "--ignore", "ignored", multiple=True, help="Heading of a column that holds no calls; * is any text."
)
@click.option("--counted-allele", help="For counts 0, 1, 2: the allele counted, first or second.")
@click.option("--strand", type=click.Choice(["same", "other"]), help="Strand of the bases in this file.")
@click.option(
    "--alleles", type=click.Choice(["named", "generic"]), help="Whether alleles are called A and B, 1 and 2."
)
@click.option("--dry-run", is_flag=True, help="Only show what was understood; write nothing.")
@guarded
def receive(folder: Path, file: Path, dry_run: bool, ignored: tuple[str, ...], **said: Any) -> int:
    """Take in a file of the genotyping laboratory: say what it holds, copy it, name it in config.yaml.

    Reads any text table, any sheet of a workbook, VCF and BCF. What only you can know is asked for, or
    refused with the option that settles it; nothing is guessed.
    """
    from crossproof.receive.questions import Options
    from crossproof.runner.receipt import receive_asking, show_receipt

    receipt = receive_asking(folder, file, Options(ignore_columns=ignored, **said), dry_run=dry_run)
    show_receipt(folder, file, receipt, dry_run=dry_run)
    return 0


@main.command(epilog=example("crossproof run nursery_2027 --cores 4"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--cores", default=2, show_default=True, type=click.IntRange(1), help="Jobs at once.")
@click.option("--profile", help="A Snakemake workflow profile, such as one for a cluster.")
@click.option("--recalibrate", is_flag=True, help="Estimate run-wide rates afresh; old verdicts may change.")
@click.option(
    "--allow-findings", is_flag=True, help="Exit with 0 even if a file was set aside or a plate held."
)
@guarded
def run(folder: Path, cores: int, profile: str | None, recalibrate: bool, allow_findings: bool) -> int:
    """Run the workflow: verdicts, rates, plate checks, report and worklist in DIR/results."""
    from crossproof.runner.engine_process import before_libraries_are_loaded

    before_libraries_are_loaded()
    from crossproof.runner.outcome import show_outcome
    from crossproof.runner.terminal import progress
    from crossproof.runner.workflow import run_season

    with progress() as on_progress:
        outcome = run_season(
            folder, cores=cores, profile=profile, recalibrate=recalibrate, on_progress=on_progress
        )
    show_outcome(folder, outcome)
    return 0 if allow_findings and outcome.status == 1 else outcome.status


@main.command(epilog=example("crossproof plan nursery_2027"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--cores", default=2, show_default=True, type=click.IntRange(1), help="Jobs at once.")
@guarded
def plan(folder: Path, cores: int) -> int:
    """What planned crosses can prove, markers to add, seeds to test, flowers to pollinate."""
    from crossproof.runner.engine_process import before_libraries_are_loaded

    before_libraries_are_loaded()
    from crossproof.runner.outcome import show_plan
    from crossproof.runner.terminal import progress
    from crossproof.runner.workflow import run_season

    with progress() as on_progress:
        outcome = run_season(folder, cores=cores, targets=("plan",), on_progress=on_progress)
    show_plan(folder, outcome)
    return outcome.status


@main.command(epilog=example("crossproof explain nursery_2027 C012-3"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.argument("thing")
@guarded
def explain(folder: Path, thing: str) -> None:
    """What is known of a plant, sample, cross, line, plate or well, and what to do.

    A well is written PLATE:WELL. Where two things have one name, say which: cross:C012.
    """
    from crossproof.runner.terminal import show
    from crossproof.season.index import build_index
    from crossproof.steps.report import explain_season_thing

    show(explain_season_thing(build_index(folder), thing))


@main.command(epilog=example("crossproof correct nursery_2027 tags-swapped:C011"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.argument("finding", required=False)
@click.option("--dismiss", metavar="WHY", help="Set the finding aside for this reason; nothing is corrected.")
@click.option("--yes", is_flag=True, help="Do not ask before writing.")
@guarded
def correct(folder: Path, finding: str | None, dismiss: str | None, yes: bool) -> None:
    """Answer a finding: add the row it proposes to corrections.csv, or dismiss it with a reason.

    Says first what will change. Without FINDING, lists the findings.
    """
    from crossproof.steps.correct import list_findings, plan_answer, write_answer
    from crossproof.text import plain

    if finding is None:
        found = list_findings(folder)
        for f in found:
            click.echo(f"{plain(f.name)}  {plain(f.evidence)}")
        click.echo("" if found else "The checks found nothing to answer.", nl=not found)
        return
    answer = plan_answer(folder, finding, dismiss)
    for sentence in answer.words():
        click.echo(plain(sentence))
    for row in answer.rows:
        click.echo(f"Row for {answer.file()}: {plain(row.sentence())}")
    if not yes:
        click.confirm("Write it?", abort=True)
    write_answer(answer)
    click.echo(f"Written. Next: crossproof run {shlex.quote(str(folder))}")


@main.command(epilog=example("crossproof years nursery_2026 nursery_2027 nursery_2028"))
@click.argument("folders", metavar="DIR DIR ...", nargs=-1, required=True, type=FOLDER)
@click.option(
    "--out", default="years", show_default=True, type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the page and its tables.",
)  # fmt: skip
@click.option(
    "--synonyms",
    type=click.Path(path_type=Path),
    help="CSV of names that mean the same: kind, name, same_as.",
)
@guarded
def years(folders: tuple[Path, ...], out: Path, synonyms: Path | None) -> None:
    """Compare seasons that were run: who and what does better or worse over the years."""
    from crossproof.steps.years import compare_seasons

    written = compare_seasons(folders, out, synonyms)
    click.echo(f"{written[0]} and {len(written) - 1} tables beside it")
