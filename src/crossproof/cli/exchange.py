"""Commands that exchange a season with other systems: fetch, publish, export-vcf."""

from __future__ import annotations

from pathlib import Path

import click

from crossproof.cli.group import FOLDER, example, guarded, main

_PLAIN_HTTP = click.option(
    "--plain-http", is_flag=True, help="Send the token unencrypted (only in a network you trust)."
)


@main.command(epilog=example("crossproof fetch https://server/brapi/v2 nursery_2027"))
@click.argument("url", metavar="URL")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--project", default="", help="Only crosses of this crossing project (its id on the server).")
@click.option("--program", default="", help="Only samples of this program (id).")
@click.option("--study", default="", help="Only samples of this study (id).")
@click.option("--trial", default="", help="Only samples of this trial (id).")
@click.option("--timezone", default="", help="Time zone of the nursery, such as Africa/Nairobi.")
@click.option("--page-size", default=1000, show_default=True, type=click.IntRange(1), help="Records at once.")
@_PLAIN_HTTP
@guarded
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


@main.command(epilog=example("crossproof publish nursery_2027 https://server/brapi/v2 --send"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.argument("url", metavar="[URL]", required=False)
@click.option(
    "--send", "sending", is_flag=True, help="Send to the server; without it only files are written."
)
@click.option("--create", is_flag=True, help="Make the records that the server does not have yet.")
@click.option(
    "--same-names",
    is_flag=True,
    help="With --create: make a record even where the server has another of its name.",
)
@click.option("--yes", is_flag=True, help="Do not ask before sending.")
@_PLAIN_HTTP
@guarded
def publish(
    folder: Path,
    url: str | None,
    sending: bool,
    create: bool,
    same_names: bool,
    yes: bool,
    plain_http: bool,
) -> int:
    """Write verdicts as BrAPI v2.1 JSON to DIR/results/exchange; with --send, put them on a server.

    Ids of records made on a server are kept in DIR/published.json, so that none is made twice.
    """
    from crossproof.exchange.brapi_address import base_url
    from crossproof.exchange.brapi_client import connect
    from crossproof.exchange.publish import CAUTION, publication, stale, write_publication
    from crossproof.exchange.send import announce, send
    from crossproof.runner.terminal import show_problems

    made = publication(folder, base_url(url, with_token=False) if url else "")
    written = write_publication(folder, made)
    click.echo(f"{len(written)} files in {written[0].parent}: {made.summary()}")
    click.echo(CAUTION)
    if not sending:
        if not made.current:
            show_problems([stale()])
        return 0
    click.echo(announce(made, url, create=create))
    client = connect(url or "", plain_http=plain_http)
    if not yes:
        click.confirm("Send?", abort=True)
    sent = send(client, made, create=create, same_names=same_names)
    click.echo(sent.summary())
    show_problems(sent.problems)
    return 1 if sent.problems else 0


@main.command("export-vcf", epilog=example("crossproof export-vcf nursery_2027 --out plants.vcf.gz"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--out", type=click.Path(path_type=Path), help="Default: DIR/results/plants.vcf.")
@guarded
def export_vcf(folder: Path, out: Path | None) -> None:
    """Write the plants' calls as VCF, with the verdicts in the sample metadata."""
    from crossproof.exchange.vcf_out import export_vcf as export

    path, markers, plants = export(folder, out)
    click.echo(f"{path}: {plants} plants, {markers} markers")
