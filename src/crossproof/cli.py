"""The command line: parse, call one public function, write."""

from __future__ import annotations

import difflib
import shlex
import sys
import traceback
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from crossproof import __version__
from crossproof.errors import CrossproofError, InputError, machine_problem


def _example(text: str) -> str:
    return f"\b\nExample:\n  {text}"


def _guarded(function: Callable[..., int | None]) -> Callable[..., None]:
    """Exit with the contract's status: 2 for refused input, 3 for an internal error."""

    @wraps(function)
    def call(*args: Any, **kwargs: Any) -> None:
        from crossproof.runner.terminal import show_fault, show_problems

        try:
            sys.exit(function(*args, **kwargs) or 0)
        except InputError as refused:
            show_problems(refused.problems)
            sys.exit(refused.exit_status)
        except CrossproofError as known:
            click.echo(str(known), err=True)
            sys.exit(known.exit_status)
        except (KeyboardInterrupt, click.exceptions.Abort):
            click.echo("Stopped. Run the same command again to continue.", err=True)
            sys.exit(130)
        except click.ClickException:
            raise
        except BrokenPipeError:
            sys.exit(1)  # whoever read our output has stopped reading
        except OSError as fault:
            if (problem := machine_problem(fault)) is None:
                show_fault(traceback.format_exc())
                sys.exit(3)
            show_problems([problem])
            sys.exit(2)
        except Exception:
            show_fault(traceback.format_exc())
            sys.exit(3)

    return call


class _Season(click.Path):
    """A season folder, or its config.yaml, that is there."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        path = Path(value)
        if not path.exists():
            there = [p.name for p in path.parent.iterdir() if p.is_dir()] if path.parent.is_dir() else []
            near = difflib.get_close_matches(path.name, there, n=1)
            hint = (
                f"Did you mean {path.parent / near[0]}?"
                if near
                else f"Make it with: crossproof new {shlex.quote(str(path))}"
            )
            self.fail(f"There is no folder {str(value)!r}. {hint}", param, ctx)
        return super().convert(value, param, ctx)


_FOLDER = _Season(exists=True, path_type=Path)


_LIST = click.Path(exists=True, dir_okay=False, path_type=Path)


class _Commands(click.Group):
    """Names the command that may have been meant."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and self.get_command(ctx, args[0]) is None:
            names = self.list_commands(ctx)
            near = difflib.get_close_matches(args[0], names, n=1)
            hint = f"Did you mean {near[0]}?" if near else f"There are: {', '.join(names)}."
            ctx.fail(f"There is no command {args[0]!r}. {hint}")
        return super().resolve_command(ctx, args)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="crossproof")
def main() -> None:
    """Which of the seed is truly the cross its tag says?

    Takes genotype calls of parents and progeny, gives every plant a verdict, and joins the verdicts back to
    the crossing records. A season is a folder; `crossproof new` makes one to fill in.

    Exit status: 0 all well; 1 finished, with a genotype file set aside or a plate held; 2 the input was
    refused or changed meanwhile, or the disk is full or may not be written; 3 an internal error; 130 stopped
    by you, by Ctrl+C or by answering no to a question.
    """


@main.command(epilog=_example("crossproof new nursery_2027"))
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@_guarded
def new(folder: Path) -> None:
    """Write a season folder to fill in, with one invented example row in each sheet."""
    from crossproof.season.templates import new_season

    new_season(folder)
    where = shlex.quote(str(folder))
    click.echo(f"{folder} is ready. Fill in crosses.csv and samples/. For each file of the laboratory, then:")
    click.echo(f"  crossproof receive {where} FILE\n  crossproof check {where}\n  crossproof run {where}")


@main.command(epilog=_example("crossproof check nursery_2027"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.option("--json", "as_json", is_flag=True, help="Print the problems as JSON, by cause, for programs.")
@_guarded
def check(folder: Path, as_json: bool) -> int:
    """Find all problems of all files at once; compute nothing."""
    from crossproof.runner.terminal import show_checked
    from crossproof.steps.checking import acknowledged_in, check_season

    return show_checked(check_season(folder), acknowledged_in(folder), as_json=as_json)


@main.command(epilog=_example("crossproof receive nursery_2027 ~/Downloads/plate2.xlsx"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.argument("file", metavar="FILE", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--batch", help="Name of the batch; by default the one of your sheets that fits.")
@click.option("--sheet", help="Sheet of a workbook that holds the calls.")
@click.option("--layout", type=click.Choice(["wide", "wide-by-marker", "long"]), help="How the table lies.")
@click.option("--names", type=_LIST, help="List of two columns: the laboratory's sample names and yours.")
@click.option(
    "--marker-names", type=_LIST, help="List of two columns: the laboratory's marker names and yours."
)
@click.option("--plate", help="Your name of the plate, where the laboratory has its own.")
@click.option("--missing", multiple=True, help="A code that means: no call. May be given several times.")
@click.option(
    "--ignore", "ignored", multiple=True, help="Heading of a column that holds no calls; * is any text."
)
@click.option("--counted-allele", help="For counts 0, 1, 2: the allele counted, first or second.")
@click.option("--strand", type=click.Choice(["same", "other"]), help="Strand of the bases in this file.")
@click.option(
    "--alleles", type=click.Choice(["named", "generic"]), help="Whether alleles are called A and B, 1 and 2."
)
@click.option("--dry-run", is_flag=True, help="Only say what was understood; write nothing.")
@_guarded
def receive(folder: Path, file: Path, dry_run: bool, ignored: tuple[str, ...], **said: Any) -> int:
    """Take in a file of the genotyping laboratory: say what it holds, copy it, name it in config.yaml.

    Reads any text table, any sheet of a workbook, VCF and BCF. What only you can know is asked, or refused
    with the option that settles it; nothing is guessed.
    """
    from crossproof.receive.questions import Options
    from crossproof.runner.receipt import receive_asking, show_receipt

    receipt = receive_asking(folder, file, Options(ignore_columns=ignored, **said), dry_run=dry_run)
    show_receipt(folder, file, receipt, dry_run=dry_run)
    return 0


@main.command(epilog=_example("crossproof run nursery_2027 --cores 4"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.option("--cores", default=2, show_default=True, type=click.IntRange(1), help="Jobs at once.")
@click.option("--profile", help="A Snakemake workflow profile, such as one for a cluster.")
@click.option("--recalibrate", is_flag=True, help="Estimate run-wide rates afresh; old verdicts may change.")
@click.option(
    "--allow-findings", is_flag=True, help="Exit 0 also where a file was set aside or a plate held."
)
@_guarded
def run(folder: Path, cores: int, profile: str | None, recalibrate: bool, allow_findings: bool) -> int:
    """Run the workflow: verdicts, rates, plate checks, report and worklist in DIR/results."""
    from crossproof.runner.outcome import show_outcome
    from crossproof.runner.terminal import progress
    from crossproof.runner.workflow import run_season

    with progress() as on_progress:
        outcome = run_season(
            folder, cores=cores, profile=profile, recalibrate=recalibrate, on_progress=on_progress
        )
    show_outcome(folder, outcome)
    return 0 if allow_findings and outcome.status == 1 else outcome.status


@main.command(epilog=_example("crossproof plan nursery_2027"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.option("--cores", default=2, show_default=True, type=click.IntRange(1), help="Jobs at once.")
@_guarded
def plan(folder: Path, cores: int) -> int:
    """What planned crosses can prove, markers to add, seeds to test, flowers to pollinate."""
    from crossproof.runner.outcome import show_plan
    from crossproof.runner.terminal import progress
    from crossproof.runner.workflow import run_season

    with progress() as on_progress:
        outcome = run_season(folder, cores=cores, targets=("plan",), on_progress=on_progress)
    show_plan(folder, outcome)
    return outcome.status


@main.command(epilog=_example("crossproof explain nursery_2027 C012-3"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.argument("thing")
@_guarded
def explain(folder: Path, thing: str) -> None:
    """What is known of a plant, sample, cross, line, plate or well, and what to do.

    A well is written PLATE:WELL. Where two things have one name, say which: cross:C012.
    """
    from crossproof.runner.terminal import show
    from crossproof.season.index import build_index
    from crossproof.steps.report import explain_season_thing

    show(explain_season_thing(build_index(folder), thing))


@main.command(epilog=_example("crossproof correct nursery_2027 tags-swapped:C011"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.argument("finding", required=False)
@click.option("--dismiss", metavar="WHY", help="Set the finding aside for this reason; nothing is corrected.")
@click.option("--yes", is_flag=True, help="Do not ask before writing.")
@_guarded
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


@main.command(epilog=_example("crossproof simulate trial --preset clean60 --seed 7"))
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--preset", default="nursery", show_default=True, help="Kind of season; `list` names them.")
@click.option(
    "--seed", default=1, show_default=True, type=click.IntRange(0), help="Seed of the random numbers."
)
@_guarded
def simulate(folder: Path, preset: str, seed: int) -> None:
    """Write an invented season whose truth is known (truth.csv)."""
    from crossproof.simulate import simulate_folder

    click.echo(simulate_folder(folder, preset=preset, seed=seed))


@main.command(epilog=_example("crossproof score trial trial/truth.csv"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.argument("truth", metavar="TRUTH", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@_guarded
def score(folder: Path, truth: Path) -> None:
    """Compare the verdicts of DIR with known truth: a CSV with sample_id and truth."""
    from crossproof.score import score_folder

    click.echo(score_folder(folder, truth))


_PLAIN_HTTP = click.option(
    "--plain-http", is_flag=True, help="Let the token travel unencrypted (a network you trust)."
)


@main.command(epilog=_example("crossproof fetch https://server/brapi/v2 nursery_2027"))
@click.argument("url", metavar="URL")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--project", default="", help="Only crosses of this crossing project (its id on the server).")
@click.option("--program", default="", help="Only samples of this program (id).")
@click.option("--study", default="", help="Only samples of this study (id).")
@click.option("--trial", default="", help="Only samples of this trial (id).")
@click.option("--timezone", default="", help="Time zone of the nursery, such as Africa/Nairobi.")
@click.option("--page-size", default=1000, show_default=True, type=click.IntRange(1), help="Records at once.")
@_PLAIN_HTTP
@_guarded
def fetch(
    url: str,
    folder: Path,
    project: str,
    program: str,
    study: str,
    trial: str,
    timezone: str,
    page_size: int,
    plain_http: bool,
) -> int:
    """Write a season folder from the crosses, samples and plates of a BrAPI v2.1 server.

    A token is read from the environment variable CROSSPROOF_BRAPI_TOKEN and kept nowhere. Genotype files are
    not fetched.
    """
    from crossproof.exchange.brapi_client import connect
    from crossproof.exchange.fetch import Selection, fetch_season
    from crossproof.runner.terminal import progress, show_problems
    from crossproof.text import plain

    client = connect(url, plain_http=plain_http, page_size=page_size)
    selection = Selection(project, program, study, trial)
    with progress() as client.on_page:
        found = fetch_season(client, folder, selection=selection, timezone=timezone)
    for line in found.said:
        click.echo(plain(line), err=True)
    status = show_problems(found.problems, all_well=True)
    click.echo(found.summary())
    return 1 if status else 0


@main.command(epilog=_example("crossproof publish nursery_2027 https://server/brapi/v2 --send"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.argument("url", metavar="[URL]", required=False)
@click.option(
    "--send", "sending", is_flag=True, help="Send to the server; without it only files are written."
)
@click.option("--create", is_flag=True, help="Make the records that the server does not have yet.")
@click.option("--yes", is_flag=True, help="Do not ask before sending.")
@_PLAIN_HTTP
@_guarded
def publish(folder: Path, url: str | None, sending: bool, create: bool, yes: bool, plain_http: bool) -> int:
    """Write verdicts as BrAPI v2.1 JSON to DIR/results/exchange; with --send, put them on a server."""
    from crossproof.exchange.brapi_client import connect
    from crossproof.exchange.publish import CAUTION, publication, write_publication
    from crossproof.exchange.send import announce, send
    from crossproof.runner.terminal import show_problems

    made = publication(folder)
    written = write_publication(folder, made)
    click.echo(f"{len(written)} files in {written[0].parent}: {made.summary()}")
    click.echo(CAUTION)
    if not sending:
        return 0
    click.echo(announce(made, url, create=create))
    client = connect(url or "", plain_http=plain_http)
    if not yes:
        click.confirm("Send?", abort=True)
    sent = send(client, made, create=create)
    click.echo(sent.summary())
    show_problems(sent.problems)
    return 1 if sent.problems else 0


@main.command(epilog=_example("crossproof years nursery_2026 nursery_2027 nursery_2028"))
@click.argument("folders", metavar="DIR DIR ...", nargs=-1, required=True, type=_FOLDER)
@click.option(
    "--out", default="years", show_default=True, type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the page and its tables.",
)  # fmt: skip
@click.option(
    "--synonyms", type=click.Path(path_type=Path), help="CSV of names that are one: kind, name, same_as."
)
@_guarded
def years(folders: tuple[Path, ...], out: Path, synonyms: Path | None) -> None:
    """Seasons that were run, beside each other: who and what does better or worse over the years."""
    from crossproof.steps.years import compare_seasons

    written = compare_seasons(folders, out, synonyms)
    click.echo(f"{written[0]} and {len(written) - 1} tables beside it")


@main.command("export-vcf", epilog=_example("crossproof export-vcf nursery_2027 --out plants.vcf.gz"))
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.option("--out", type=click.Path(path_type=Path), help="Default: DIR/results/plants.vcf.")
@_guarded
def export_vcf(folder: Path, out: Path | None) -> None:
    """Write the plants' calls as VCF, with the verdicts in the sample metadata."""
    from crossproof.exchange.vcf_out import export_vcf as export

    path, markers, plants = export(folder, out)
    click.echo(f"{path}: {plants} plants, {markers} markers")


if __name__ == "__main__":
    main()
