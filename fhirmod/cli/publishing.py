"""The contract that partners get, made from the tables: ``python -m fhirmod.cli.publishing [--check]``.

It writes the project's `shared/`: the JSON Schemas of the entries, our profiles, terminology, identifier systems and
examples, what is read of each element of a received resource, the CapabilityStatement and the OpenAPI document; and,
packed as run time reads them, the profiles. No code reads `shared/`; it is committed so that a partner can, and CI
checks that it is as the tables say. It stands above `api` because the last two come from its routes.
"""

import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec

from api import Settings, create_app
from api.clock import wall_clock
from api.fhir.capability import statement
from fhirmod import exchange
from fhirmod.episode import KINDS, Protocol, entry_schema
from fhirmod.exchange import (
    PACKED_RESOURCES,
    conformance_resources,
    examples,
    guide_of,
    packed_resources,
    refused,
    unpacked_resources,
)
from fhirmod.intake import Intake
from fhirmod.mapping import BASE, SKIPPED_TYPES, dictionary, profiles
from fhirmod.r4 import dump, parse, subset_schema
from fhirmod.store import open_store

FOLDER = Path(__file__).parents[2] / "shared"
_FOLDERS = {
    "StructureDefinition": "profiles",
    "CodeSystem": "terminology",
    "ValueSet": "terminology",
    "ConceptMap": "terminology",
}
PACKED = Path(profiles.__file__).parent / profiles.PACKED
PUBLISHED = Path(exchange.__file__).parent / PACKED_RESOURCES


def documents() -> Iterator[tuple[str, dict[str, Any]]]:
    """Return every document of the contract: its path below `shared`, and its content."""
    for kind in KINDS:
        yield f"schemas/entries/{kind}.schema.json", entry_schema(kind)
    yield "schemas/r4-subset.schema.json", subset_schema()
    for resource in (resources := conformance_resources()):
        type_ = resource["resourceType"]
        yield f"{_FOLDERS.get(type_, 'conformance')}/{type_}-{resource['id']}.json", resource
    shown = examples()
    guide = guide_of(resources, shown)
    yield f"conformance/ImplementationGuide-{guide['id']}.json", guide
    for url, example in shown.items():
        yield f"examples/{url.rpartition('/')[2]}.json", example
    for one, example in refused(shown):
        yield (
            f"examples/refused/{one.profile}.json",
            {
                "refused": {"title": one.title, "code": one.code, "place": one.place},
                "resource": example,
            },
        )
    for type_ in sorted(SKIPPED_TYPES):
        yield f"reading/{type_}.json", dictionary(type_)
    yield "CapabilityStatement.json", statement(BASE)
    yield "openapi.json", _openapi()


def _openapi() -> dict[str, Any]:
    with TemporaryDirectory() as folder, open_store(f"sqlite:///{folder}/none.db") as store:
        return dict(create_app(Settings(), Intake(store, Protocol.default()), wall_clock()).openapi())


def publish(folder: Path, *, check: bool) -> list[str]:
    """Return the paths that differ from what the tables say; without `check` they are written, and strays removed."""
    wanted = {path: msgspec.json.format(dump(document), indent=1) + b"\n" for path, document in documents()}
    there = {str(path.relative_to(folder)): path for path in folder.rglob("*.json")}
    differing = [path for path, text in wanted.items() if path not in there or there[path].read_bytes() != text]
    strays = sorted(there.keys() - wanted.keys())
    if not check:
        for path in differing:
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(wanted[path])
        for path in strays:
            there[path].unlink()
    return sorted([*differing, *strays])


def pack(path: Path, *, check: bool) -> bool:
    """Return whether the profiles that run time reads differ from the tables; without `check` they are written."""
    content = profiles.content()
    if path.exists() and profiles.unpacked(path.read_bytes()) == content:
        return False
    if not check:
        path.write_bytes(profiles.packed(content))
    return True


def pack_published(path: Path, *, check: bool) -> bool:
    """Return whether the resources that the service shows differ from the tables; without `check` they are written."""
    content = conformance_resources()
    if path.exists() and unpacked_resources(path.read_bytes()) == parse(dump(content)):
        return False
    if not check:
        path.write_bytes(packed_resources(content))
    return True


def main(arguments: list[str]) -> int:
    """Return the exit code: 1 if `--check` found a difference."""
    check = "--check" in arguments
    differing = publish(FOLDER, check=check)
    for path in differing:
        print(f"{'differs' if check else 'written'}: shared/{path}")
    if pack(PACKED, check=check):
        differing.append(PACKED.name)
        print(f"{'differs' if check else 'written'}: fhirmod/mapping/profiles/{PACKED.name}")
    if pack_published(PUBLISHED, check=check):
        differing.append(PUBLISHED.name)
        print(f"{'differs' if check else 'written'}: fhirmod/exchange/{PUBLISHED.name}")
    if check and differing:
        print("Run python -m fhirmod.cli.publishing and commit what it writes with the table that changed.")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
