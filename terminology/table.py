"""The table as it is read from the TOML files: rows by key, and which keys are another row's.

Shape: about 700 keys, read once when first asked for (some 15 ms).
"""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, cast

from .concept import Coding, Concept, Relation
from .systems import OWN_SYSTEM, SYSTEMS

_CODES = "codes.toml"
_AFFILIATE = "codes-snomed-affiliate.toml"
_BINDINGS = "bindings.toml"

Row = dict[str, Any]


@dataclass(frozen=True)
class Table:
    """Rows by key; `home` names for every key, alias or not, the key whose row it uses."""

    rows: dict[str, Row]
    home: dict[str, str]
    codes: dict[str, list[str]]
    whole: bool


@cache
def table() -> Table:
    """Return the table; the second call costs nothing."""
    rows = _read(_BINDINGS)
    affiliate = _read(_AFFILIATE)
    codes: dict[str, list[str]] = {}
    for part in (_read(_CODES), affiliate):
        for system, listed in part.items():
            codes |= {f"{system}:{code}": facts for code, facts in listed.items()}
    return Table(rows, _homes(rows), codes, whole=bool(affiliate))


def build(key: str) -> Concept:
    """Return the concept of a key; KeyError if there is none."""
    read = table()
    row = read.rows[read.home[key]]
    own = Coding(OWN_SYSTEM, row["code"], row["display"], "own", "own", "own")
    codings = (
        *_codings(read, row, "same"),
        own,
        *_codings(read, row, "broader"),
        *_codings(read, row, "narrower"),
        *_codings(read, row, "neighbour"),
    )
    return Concept(key, row["code"], row["display"], row.get("unit"), codings)


def _codings(read: Table, row: Row, relation: Relation) -> list[Coding]:
    found = []
    for name in row.get(relation, ()):
        if name not in read.codes and name.startswith("sct:") and not read.whole:
            continue
        display, grade, source = read.codes[name]
        system, _, code = name.partition(":")
        found.append(Coding(SYSTEMS[system], code, display, cast("Any", grade), source, relation))
    return found


def _homes(rows: dict[str, Row]) -> dict[str, str]:
    """Return key -> key of its row, with the words of shared questions and shared lists spelt out."""
    answers: dict[str, list[str]] = {}
    for key in rows:
        parts = key.split(".")
        for at in range(1, len(parts)):
            answers.setdefault(".".join(parts[:at]), []).append(".".join(parts[at:]))

    def home(key: str) -> str:
        target = rows[key].get("same_as")
        return key if target is None else home(target)

    homes = {key: home(key) for key in rows}
    for key, target in list(homes.items()):
        is_another_question = target != key and "." in target
        listed = rows[target].get("words") or (target if is_another_question else None)
        for word in answers.get(listed, ()) if listed else ():
            homes[f"{key}.{word}"] = homes[f"{listed}.{word}"]
    return homes


def _read(name: str) -> dict[str, Any]:
    place = Path(__file__).with_name(name)
    if not place.is_file():
        return {}
    return tomllib.loads(place.read_text("utf-8"))
