"""The command line. Each command imports what it needs when it runs."""

import gc
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack, nullcontext
from enum import StrEnum
from pathlib import Path
from typing import Annotated, BinaryIO

import typer

from fhirmod import __version__
from fhirmod.errors import BadParameterError, FhirmodError, NotFoundError

DEFAULT_DB = "fhirmod-data/fhirmod.db"
app = typer.Typer(
    name="fhirmod",
    help="The record of a uterine balloon tamponade: entries in, sums done, HL7 FHIR R4 out. It never advises.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
_NUMBER = "NUMBER"
_Db = Annotated[
    str,
    typer.Option(
        "--db",
        "--database",
        envvar="FHIRMOD_DATABASE",
        help="Where the record lies: a SQLite file, or postgresql://user@host/name.",
    ),
]
_CodeMap = Annotated[
    Path | None,
    typer.Option("--code-map", help="What the codes of your systems mean: a CSV file or a FHIR ConceptMap."),
]


def _whole(option: str, least: int, most: int) -> Callable[[str], int]:
    """Return what reads the whole number of an option.

    Errors: BadParameterError if it is none, or none of these.
    """

    def read(text: str) -> int:
        said = str(text)
        if not said.isascii() or not said.isdigit() or len(said) > 18 or not least <= int(said) <= most:
            raise BadParameterError(
                f"The option --{option} takes a whole number from {least} to {most}; got {said[:20]!r}."
            )
        return int(said)

    return read


class Tier(StrEnum):
    """When a rule's finding is shown."""

    now = "now"
    soon = "soon"
    review = "review"


class Dirt(StrEnum):
    """How spoilt the stories of the demonstration are."""

    none = "none"
    some = "some"
    much = "much"


def main() -> None:
    """Run the command line; what goes wrong on purpose is one sentence and exit code 1."""
    gc.set_threshold(100_000)  # a fifth of a short command's time went into looking for garbage among its imports
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


def writing(name: str) -> AbstractContextManager[BinaryIO]:
    """Return where to write for the length of a block: a file, or standard output for ``-``."""
    try:
        return nullcontext(sys.stdout.buffer) if name == "-" else Path(name).open("wb")
    except OSError as wrong:
        raise NotFoundError(f"The file {name} cannot be written ({wrong.strerror}); name another with --to.") from None


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
        str, typer.Option(help="Where to listen; beyond this machine only with --issuer, --audience and --keys.")
    ] = "127.0.0.1",
    port: Annotated[
        int,
        typer.Option(
            parser=_whole("port", 0, 65535), metavar=_NUMBER, help="The port to listen on; 0 takes a free one."
        ),
    ] = 8000,
    db: _Db = DEFAULT_DB,
    workers: Annotated[
        int,
        typer.Option(
            parser=_whole("workers", 1, 64),
            metavar=_NUMBER,
            help="How many processes share the port; more than one on PostgreSQL only.",
        ),
    ] = 1,
    base_url: Annotated[str | None, typer.Option(help="How clients reach the service, if behind a proxy.")] = None,
    protocol: Annotated[
        Path | None, typer.Option(help="The site protocol, a TOML file that stands over the default.")
    ] = None,
    facility: Annotated[
        list[str] | None,
        typer.Option(help="The id of a facility that records are kept for here; may be given several times."),
    ] = None,
    code_map: _CodeMap = None,
    issuer: Annotated[str | None, typer.Option(help="Who signs the tokens that callers must bring (iss).")] = None,
    audience: Annotated[str | None, typer.Option(help="What those tokens must name as their audience (aud).")] = None,
    keys: Annotated[str | None, typer.Option(help="The issuer's JWKS: a file, or its https address.")] = None,
    origin: Annotated[
        list[str] | None,
        typer.Option(help="A site whose pages may ask (CORS); may be given several times; on this machine all may."),
    ] = None,
) -> None:
    """Start the service. Example: fhirmod serve --port 8080 --db ward.db"""
    from api import Settings
    from api.serving import run

    kept_for = tuple(facility or ())
    run(
        Settings(
            host=host,
            port=port,
            db=db,
            workers=workers,
            base_url=base_url,
            protocol=protocol,
            facilities=kept_for,
            code_map=code_map,
            issuer=issuer,
            audience=audience,
            keys=keys,
            origins=None if origin is None else tuple(origin),
        )
    )


@app.command()
def demo(
    db: _Db = DEFAULT_DB,
    to: Annotated[str | None, typer.Option(help="A running service to load them into, instead of a file.")] = None,
    token: Annotated[
        str | None, typer.Option(envvar="FHIRMOD_TOKEN", help="The bearer token for it, if it asks for one.")
    ] = None,
    stories: Annotated[
        int | None,
        typer.Option(
            parser=_whole("stories", 1, 1_000_000),
            metavar=_NUMBER,
            help="Load so many generated stories instead of the cases.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(help="The same seed tells the same stories on every machine.")] = 0,
    dirt: Annotated[Dirt, typer.Option(help="How spoilt the stories' records are.")] = Dirt.none,
    write: Annotated[
        str | None, typer.Option(help="Write them to this file instead, one entry on each line; - to standard output.")
    ] = None,
) -> None:
    """Load the invented cases, or stories. Example: fhirmod demo --stories 5 --seed 7 --dirt some --db ward.db"""
    from fhirmod.exchange import CAUTIONS

    from .loading import all_cases, as_lines, into_file, into_service, told_stories
    from .opened import opened

    cases = all_cases() if stories is None else told_stories(stories, seed, dirt.value)
    if write is not None:
        with writing(write) as out:
            out.writelines(as_lines(cases))
        return
    if to is not None:
        for line in into_service(to, cases, token):
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
        str | None,
        typer.Argument(help="An episode's id (its first letters will do), or a file; without one, all are listed."),
    ] = None,
    db: _Db = DEFAULT_DB,
    as_of: Annotated[
        str | None,
        typer.Option(
            help="As of this instant, with offset; else now, or the last entry of a file, drill, closed or old record."
        ),
    ] = None,
    known_at: Annotated[str | None, typer.Option(help="Only what had been received by this instant.")] = None,
) -> None:
    """Show an episode of the record, or of a file. Example: fhirmod show case.json --as-of 2026-03-01T04:20:00+01:00"""
    from .reading import from_file, from_record, listing, moment

    then = None if known_at is None else moment(known_at, "known-at")
    at = None if as_of is None else moment(as_of, "as-of")
    if episode is None:
        lines = listing(db)
    elif episode == "-" or Path(episode).is_file() or Path(episode).suffix:  # an id has no point in it
        lines = from_file(episode, at, then)
    else:
        lines = from_record(db, episode, at, then)
    for line in lines:
        print(line)


@app.command()
def convert(
    file: Annotated[str, typer.Argument(help="Entries or FHIR: JSON, JSONL or NDJSON; - reads standard input.")] = "-",
    to: Annotated[str, typer.Option("--to", "-o", help="The file to write; - writes to standard output.")] = "-",
    lines: Annotated[bool, typer.Option("--lines", help="Write one entry (or one resource) on each line.")] = False,
    collection: Annotated[
        bool, typer.Option("--collection", help="Write a collection; else a transaction that a server can take.")
    ] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit with 1 if anything could not be converted.")] = False,
) -> None:
    """Turn entries into FHIR, or FHIR into entries. Example: fhirmod convert case.json -o bundle.json

    What could not be converted is said on stderr, one sentence for each.
    """
    from .turning import turned

    lost, out = 0, None
    with ExitStack() as stack:
        for text, sentences in turned(file, lines=lines, type="collection" if collection else "transaction"):
            out = out or stack.enter_context(writing(to))  # what cannot be read leaves no file behind
            out.write(text)
            for sentence in sentences:
                print(sentence, file=sys.stderr)
                lost += 1
    raise typer.Exit(int(strict and lost > 0))


@app.command()
def rules(
    rule: Annotated[str | None, typer.Argument(help="A rule's id; without one, all are listed.")] = None,
    tier: Annotated[Tier | None, typer.Option(help="Only the rules of this tier.")] = None,
    as_json_lines: Annotated[bool, typer.Option("--json", help="One JSON object for each rule.")] = False,
) -> None:
    """Say what a record is checked for, and by whose words. Example: fhirmod rules --tier now"""
    from .catalogue import as_json, chosen, in_full, listing

    found = chosen(rule, None if tier is None else tier.value)
    for line in map(as_json, found) if as_json_lines else in_full(found[0]) if rule else listing(found):
        print(line)


@app.command()
def package(
    to: Annotated[str, typer.Option("--to", "-o", help="The file to write; - writes to standard output.")],
) -> None:
    """Write our profiles, terminology and examples as a FHIR package. Example: fhirmod package --to fhirmod.tgz"""
    from fhirmod.exchange import fhir_package

    text = fhir_package()
    with writing(to) as out:
        out.write(text)


@app.command()
def rebuild(db: _Db = DEFAULT_DB, code_map: _CodeMap = None) -> None:
    """Compute everything anew and say how much differed (nothing should). Example: fhirmod rebuild --db ward.db"""
    from api.record import read_code_map

    from .opened import opened

    codes = None if code_map is None else read_code_map(code_map)
    intake, request = opened(db, must_exist=True)
    with intake.store:
        changed = intake.rebuild(request(), codes)
    print(
        f"{changed} resources differed from what the entries say" + ("." if changed == 0 else " and were written anew.")
    )


@app.command()
def jobs(
    db: _Db = DEFAULT_DB,
    revive: Annotated[
        list[int] | None,
        typer.Option(
            parser=_whole("revive", 1, 10**18 - 1),
            metavar=_NUMBER,
            help="The number of a dead job to try again; may be given several times.",
        ),
    ] = None,
) -> None:
    """List the jobs that failed eight times, or revive some. Example: fhirmod jobs --db ward.db"""
    from .dead import listing, revived

    for line in listing(db) if revive is None else revived(db, revive):
        print(line)


@app.command()
def check(
    files: Annotated[
        list[Path], typer.Argument(help="FHIR resources, Bundles, NDJSON, or bedside entries; - reads standard input.")
    ],
    as_json_lines: Annotated[bool, typer.Option("--json", help="One JSON object for each finding.")] = False,
) -> None:
    """Check files and say what is wrong where; nothing is stored. Example: fhirmod check case.json export.ndjson

    Exit code: 0 when nothing is refused, 1 when something is, 2 when a file cannot be read.
    """
    from .checking import Fold, Tally, as_json, check_files

    tally, fold = Tally(), Fold()
    for found in check_files(files, tally):
        for line in (as_json(found),) if as_json_lines else fold.now(found):
            print(line)
    for line in fold.rest():
        print(line)
    unread = f", {tally.unread} not readable" if tally.unread else ""
    print(
        f"{tally.documents} checked, {tally.refused} refused, {tally.findings} findings{unread}",
        file=sys.stderr if as_json_lines else sys.stdout,
    )
    raise typer.Exit(tally.exit_code)
