"""The command line: serve, demo, show, rebuild, check. Each command imports what it needs when it runs."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from fhirmod import __version__
from fhirmod.errors import FhirmodError

DEFAULT_DB = Path("fhirmod-data/fhirmod.db")
app = typer.Typer(
    name="fhirmod",
    help="The record of a uterine balloon tamponade: entries in, sums done, HL7 FHIR R4 out. It never advises.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
_Db = Annotated[Path, typer.Option("--db", help="The SQLite file the record lies in.")]


class Dirt(StrEnum):
    """How spoilt the stories of the demonstration are."""

    none = "none"
    some = "some"
    much = "much"


def main() -> None:
    """Run the command line; what goes wrong on purpose is one sentence and exit code 1."""
    try:
        app()
    except FhirmodError as error:
        for finding in error.findings:
            print(finding.sentence, file=sys.stderr)
        raise SystemExit(1) from None


def _version(asked: bool) -> None:
    if asked:
        print(f"fhirmod {__version__}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Say the version, or run a command."""


@app.command()
def serve(
    host: Annotated[
        str, typer.Option(help="Where to listen; this machine only until callers are authenticated.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="The port to listen on; 0 takes a free one.")] = 8000,
    db: _Db = DEFAULT_DB,
    base_url: Annotated[str | None, typer.Option(help="How clients reach the service, if behind a proxy.")] = None,
    protocol: Annotated[
        Path | None, typer.Option(help="The site protocol, a TOML file that stands over the default.")
    ] = None,
) -> None:
    """Start the service. Example: fhirmod serve --port 8080 --db ward.db"""
    from api import Settings
    from api.serving import run

    run(Settings(host=host, port=port, db=db, base_url=base_url, protocol=protocol))


@app.command()
def demo(
    db: _Db = DEFAULT_DB,
    to: Annotated[str | None, typer.Option(help="A running service to load them into, instead of a file.")] = None,
    stories: Annotated[
        int | None, typer.Option(min=1, help="Load so many generated stories instead of the cases.")
    ] = None,
    seed: Annotated[int, typer.Option(help="The same seed tells the same stories on every machine.")] = 0,
    dirt: Annotated[Dirt, typer.Option(help="How spoilt the stories' records are.")] = Dirt.none,
) -> None:
    """Load the invented cases, or stories. Example: fhirmod demo --stories 20 --seed 7 --dirt some --db ward.db"""
    from fhirmod.exchange import CAUTIONS

    from .loading import all_cases, into_file, into_service, told_stories
    from .opened import opened

    cases = all_cases() if stories is None else told_stories(stories, seed, dirt.value)
    if to is not None:
        for line in into_service(to, cases):
            print(line)
    else:
        intake, request = opened(db)
        with intake.store:
            for line in into_file(intake, request, cases):
                print(line)
    print(f"Loaded into {to or db}. {CAUTIONS[-1]}")


@app.command()
def show(
    episode: Annotated[
        str | None, typer.Argument(help="The episode's id; without one, all episodes are listed.")
    ] = None,
    db: _Db = DEFAULT_DB,
    as_of: Annotated[str | None, typer.Option(help="As of this instant, with offset; else now.")] = None,
) -> None:
    """Show an episode. Example: fhirmod show 785baf95-2ead-55fc-88f6-f680200e90f6 --as-of 2026-03-01T04:20:00+01:00"""
    from fhirmod.episode import Moment
    from fhirmod.errors import BadParameterError

    from .opened import opened
    from .showing import listed, seven_lines, timeline

    intake, request = opened(db, must_exist=True)
    with intake.store:
        if episode is None:
            for row in intake.store.read(lambda reader: reader.episodes(request().access, limit=10_000)):
                print(listed(row))
            return
        try:
            moment = request().now if as_of is None else Moment(as_of).instant
        except ValueError:
            moment = None
        if moment is None:
            raise BadParameterError(
                f"The time to show must be an instant with offset such as 2026-03-01T04:20:00+01:00; got {as_of!r}.",
                place="as-of",
            )
        snapshot = intake.snapshot(request().access, episode)
        found = snapshot.state(intake.protocol_of(request().access, snapshot), as_of=moment)
        for line in (*seven_lines(found), "", *timeline(snapshot.episode.standing(as_of=moment))):
            print(line)


@app.command()
def rebuild(db: _Db = DEFAULT_DB) -> None:
    """Compute everything anew and say how much differed (nothing should). Example: fhirmod rebuild --db ward.db"""
    from .opened import opened

    intake, request = opened(db, must_exist=True)
    with intake.store:
        changed = intake.rebuild(request())
    print(
        f"{changed} resources differed from what the entries say" + ("." if changed == 0 else " and were written anew.")
    )


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="FHIR resources, Bundles, NDJSON, or bedside entries.")],
    as_json_lines: Annotated[bool, typer.Option("--json", help="One JSON object for each finding.")] = False,
) -> None:
    """Check files and say what is wrong where; nothing is stored. Example: fhirmod check case.json export.ndjson

    Exit code: 0 when nothing is refused, 1 when something is, 2 when a file cannot be read.
    """
    from .checking import Tally, as_json, as_table, check_files

    tally = Tally()
    for found in check_files(files, tally):
        print(as_json(found) if as_json_lines else "\n".join(as_table(found)))
    unread = f", {tally.unread} not readable" if tally.unread else ""
    print(
        f"{tally.documents} checked, {tally.refused} refused, {tally.findings} findings{unread}",
        file=sys.stderr if as_json_lines else sys.stdout,
    )
    raise typer.Exit(tally.exit_code)
