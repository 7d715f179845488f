"""The files a site's code map comes in: CSV as spreadsheets write it, or a FHIR R4 ConceptMap; both give lines."""

import csv
from collections.abc import Iterator, Mapping
from io import StringIO
from typing import Any, NamedTuple

from fhirmod.errors import InvalidError, UnreadableError
from fhirmod.r4 import check, parse
from terminology import OWN_SYSTEM

from .urls import BASE, UCUM

_COLUMNS = ("system", "code", "concept", "unit", "ucum")
_NEEDED = frozenset({"code", "concept"})
LOCAL_UNIT = f"{BASE}/StructureDefinition/local-unit"
_READABLE = frozenset({"equivalent", "equal", "wider", "subsumes"})
_SAYS_NOTHING = frozenset({"unmatched", "disjoint"})


class Line(NamedTuple):
    """One row as it was written: the local system and code, our concept, and its unit there and in UCUM."""

    number: int
    system: str
    code: str
    concept: str
    unit: str = ""
    ucum: str = ""


def lines_of(text: bytes) -> Iterator[Line]:
    """Return the rows of a file.

    Errors: UnreadableError if it is no UTF-8 text or broken JSON; InvalidError if it is neither of the two forms.
    """
    try:
        plain = text.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableError("The code map must be text in UTF-8; it is in another encoding.") from None
    return _of_concept_map(text) if plain.lstrip()[:1] == "{" else _of_csv(plain)


def _of_csv(plain: str) -> Iterator[Line]:
    head, _, _ = plain.partition("\n")
    rows = csv.DictReader(StringIO(plain), delimiter=";" if head.count(";") > head.count(",") else ",")
    names = [(name or "").strip().lower() for name in rows.fieldnames or ()]
    if not set(names) >= _NEEDED:
        raise InvalidError(
            "The code map needs the columns code and concept, and may have system, unit and ucum; "
            f"got {', '.join(names)[:200]}."
        )
    rows.fieldnames = names
    for number, row in enumerate(rows, start=2):
        values = {name: (row.get(name) or "").strip() for name in _COLUMNS}
        if any(values.values()):
            yield Line(number, **values)


def _of_concept_map(text: bytes) -> Iterator[Line]:
    resource = parse(text.removeprefix(b"\xef\xbb\xbf"))
    if not isinstance(resource, Mapping) or resource.get("resourceType") != "ConceptMap":
        raise InvalidError("The code map must be a CSV file or a FHIR R4 ConceptMap; got other JSON.")
    wrong = tuple(finding for finding in check(resource) if finding.refuses)
    if wrong:
        raise InvalidError("The code map is no valid R4 ConceptMap.", findings=wrong)
    number = 0
    for group in resource.get("group", ()):
        if group.get("target") != OWN_SYSTEM:
            raise InvalidError(f"A group of the ConceptMap must have the target {OWN_SYSTEM}; got another.")
        for element in group["element"]:
            for target in element.get("target", ()):
                number += 1
                if target["equivalence"] not in _SAYS_NOTHING:
                    yield _of_target(number, group, element, target)


def _of_target(number: int, group: Any, element: Any, target: Any) -> Line:
    if target["equivalence"] not in _READABLE:
        raise InvalidError(
            f"Row {number} of the code map says {target['equivalence']}; a code is read only where ours means the same "
            "or more (equivalent, equal, wider, subsumes)."
        )
    unit = _property(target.get("dependsOn", ()), LOCAL_UNIT)
    ucum = _property(target.get("product", ()), UCUM)
    return Line(number, group.get("source", ""), element.get("code", ""), target.get("code", ""), unit, ucum)


def _property(items: Any, name: str) -> str:
    return next((str(one["value"]) for one in items if one.get("property") == name), "")
