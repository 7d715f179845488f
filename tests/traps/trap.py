"""A trap as its folder says it: what is sent, in order, and what must come of it; and the service it is sent to.

``why`` and ``source`` of expected.json cite the clause of R4 (or of this record's own meanings) that makes the
expectation right; it is never what the code happens to do.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from fhirmod.intake import Intake
from fhirmod.intake.code_map import adopt
from fhirmod.mapping import SiteCodes
from fhirmod.r4 import parse
from tests.intake.case import request

FHIR = {"content-type": "application/fhir+json"}
_READ, _UNREAD, _IGNORED = "Read as the ", "Stored, not read as an entry: ", "Not stored: "


@dataclass(frozen=True)
class Trap:
    """One folder: the Bundles' bytes in the order of their names, the expectation, and the site's code map if any."""

    name: str
    bundles: tuple[bytes, ...]
    expected: dict[str, Any]
    code_map: bytes | None

    @classmethod
    def of(cls, folder: Path) -> "Trap":
        texts = tuple(path.read_bytes() for path in sorted(folder.glob("*.json")) if path.name != "expected.json")
        codes = folder / "code-map.csv"
        said = parse((folder / "expected.json").read_bytes())
        return cls(folder.name, texts, said, codes.read_bytes() if codes.exists() else None)


@dataclass(frozen=True)
class Sent:
    """One resource of a Bundle: the name the expectation calls it by, its text, where it went, what was said of it.

    Shape: `found` says that its condition matched what was there already: then R4 lets the sent one be ignored;
           `made_anew` that it is a create without a condition.
    """

    name: str
    full_url: str | None
    text: str
    reference: str | None
    etag: str | None
    said: tuple[str, ...]
    found: bool = False
    made_anew: bool = False

    @property
    def read(self) -> str | None:
        """Return the kind of entry it was read as, or None."""
        kinds = [one.removeprefix(_READ).split(" ")[0] for one in self.said if one.startswith(_READ)]
        return kinds[0] if kinds else None

    @property
    def unread(self) -> str | None:
        return next((one.removeprefix(_UNREAD) for one in self.said if one.startswith(_UNREAD)), None)

    @property
    def ignored(self) -> str | None:
        return next((one.removeprefix(_IGNORED) for one in self.said if one.startswith(_IGNORED)), None)


@dataclass(frozen=True)
class Service:
    """The running service, and the intake behind it for what HTTP does not show."""

    client: TestClient
    intake: Intake

    def send(self, bundle: bytes) -> list[Sent]:
        """Return what became of each resource of a transaction, in its order."""
        answer = self.client.post("/fhir", content=bundle, headers=FHIR)
        assert answer.status_code == 200, answer.text
        sent = parse(bundle)["entry"]
        got = parse(answer.content)["entry"]
        texts = [text for _, text in resource_texts(bundle)]
        return [_sent(*three) for three in zip(sent, texts, got, strict=True)]

    def adopt(self, code_map: bytes) -> None:
        """Return nothing; the site's code map is in force."""
        codes = SiteCodes.read(code_map)
        self.intake.store.write(lambda writer: adopt(writer, request(), codes))

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return parse(answer.content)

    def episodes(self) -> dict[str, str]:
        """Return the id of every episode by the reference of its anchor."""
        return {one["anchor"]: one["episode"] for one in self.get("/episodes")["episodes"]}


def _sent(entry: dict[str, Any], text: str, answer: dict[str, Any]) -> Sent:
    response = answer["response"]
    place = response.get("location")
    reference = "/".join(place.split("/_history/")[0].split("/")[-2:]) if place else None
    issues = response.get("outcome", {}).get("issue", ())
    return Sent(
        name=name_of(entry),
        full_url=entry.get("fullUrl"),
        text=text,
        reference=reference,
        etag=response.get("etag"),
        said=tuple(issue["diagnostics"] for issue in issues),
        found="ifNoneExist" in entry["request"] and response["status"].startswith("200"),
        made_anew=entry["request"]["method"] == "POST" and "ifNoneExist" not in entry["request"],
    )


def name_of(entry: dict[str, Any]) -> str:
    """Return what the expectation calls a resource: ``Type/id``, or ``Type/`` and the end of its fullUrl."""
    resource = entry["resource"]
    last = resource.get("id") or entry["fullUrl"].replace(":", "/").rsplit("/", 1)[-1]
    return f"{resource['resourceType']}/{last}"


def resource_texts(bundle: bytes) -> Iterator[tuple[int, str]]:
    """Return the exact text of each resource of a Bundle (found here by the standard library's scanner alone)."""
    text = bundle.decode()
    decoder = json.JSONDecoder()
    position = text.index("[", text.index('"entry"')) + 1
    number = 0
    while True:
        while text[position] in " \r\n\t,":
            position += 1
        if text[position] == "]":
            return
        _, end = decoder.raw_decode(text, position)
        start = text.index("{", text.index('"resource"', position))
        _, stop = decoder.raw_decode(text, start)
        yield number, text[start:stop]
        number, position = number + 1, end


def content(text: str, links: dict[str, str]) -> Any:
    """Return what a resource's text says, but for its identity and version: members in order, numbers as written.

    Shape: `links` are the references that must have been led somewhere else, a version at their end taken off.
    """

    def led(reference: str) -> str:
        return links.get(reference.partition("/_history/")[0], reference)

    def members(pairs: list[tuple[str, Any]]) -> list[tuple[str, Any]]:
        return [
            (name, led(value) if name == "reference" and isinstance(value, str) else value) for name, value in pairs
        ]

    whole = json.loads(text, object_pairs_hook=members, parse_int=_digits, parse_float=_digits)
    kept = []
    for name, value in whole:
        if name == "meta":
            meta = [pair for pair in value if pair[0] not in ("versionId", "lastUpdated")]
            if meta:
                kept.append((name, meta))
        elif name != "id":
            kept.append((name, value))
    return kept


def _digits(number: str) -> tuple[str, str]:
    return "number", number


def at(document: Any, path: str) -> Any:
    """Return the value at a path like ``balloons.0.state``."""
    for step in path.split("."):
        document = document[int(step)] if isinstance(document, list) else document[step]
    return document


def fits(wanted: Any, got: Any) -> bool:
    """Return whether a value is what is wanted: of objects only what is named, null for what must not be there."""
    if isinstance(wanted, dict):
        return isinstance(got, dict) and all(fits(value, got.get(name)) for name, value in wanted.items())
    if isinstance(wanted, list):
        return isinstance(got, list) and len(wanted) == len(got) and all(map(fits, wanted, got))
    if isinstance(wanted, int | Decimal) and not isinstance(wanted, bool):
        return not isinstance(got, bool) and isinstance(got, int | Decimal) and wanted == got
    return type(wanted) is type(got) and bool(wanted == got)
