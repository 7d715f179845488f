"""ISBT 128: the data structures of devices with human material and of blood containers, each after its own flag.

Source: UDI formats by FDA-accredited issuing agency, version 1.3 (January 2017), tables of ICCBBA; ISBT 128 Standard
        Technical Specification (ST-001) for the first character of a donation number.
"""

import re
from typing import Any

from .dates import read_date
from .label import NO_IDENTIFIER, Doubt, Udi, bad_date

_FLAG = re.compile("[=&]")
_STRUCTURES = re.compile(
    r"=/(?P<identifier>[A-Z0-9]{16})|=\)(?P<container>[A-Z0-9]{10})|=,(?P<serial>[A-Z0-9]{6})"
    r"|=>(?P<expiry>[0-9]{6})|=\}(?P<manufacture>[0-9]{6})"
    r"|&,1(?P<lot>[A-Z0-9]{18})|&\)(?P<container_lot>[A-Z0-9]{10})"
    r"|=\+[0-9]{5}|=(?P<donation>[A-NP-Z1-9][A-Z0-9]{14})"
)


def read_isbt(text: str, year: int) -> Udi | None:
    """Return what an ISBT 128 text says, or None if it has none of the structures."""
    body = text.replace(" ", "")
    facts: dict[str, Any] = {}
    unread = position = 0
    while position < len(body):
        found = _STRUCTURES.match(body, position)
        if found is None:
            following = _FLAG.search(body, position + 1)
            position = following.start() if following else len(body)
            unread += 1
            continue
        facts |= {name: value for name, value in found.groupdict().items() if value is not None}
        position = found.end()
    if not facts:
        return None
    doubts = [_unknown_structure(unread)] if unread else []
    identifier = facts.get("identifier") or facts.get("container")
    if identifier is None:
        doubts.append(NO_IDENTIFIER)
    dates = {name: read_date(facts[name], "YYYJJJ", year) for name in ("expiry", "manufacture") if name in facts}
    doubts += [bad_date(name, facts[name]) for name, value in dates.items() if value is None]
    return Udi(
        printed=text,
        agency="iccbba-blood" if "container" in facts else "iccbba",
        identifier=identifier,
        lot=facts.get("lot") or facts.get("container_lot"),
        serial=facts.get("serial"),
        expires=dates.get("expiry"),
        manufactured=dates.get("manufacture"),
        donation=facts.get("donation"),
        doubts=tuple(doubts),
    )


def _unknown_structure(count: int) -> Doubt:
    return Doubt("structure", f"has {count} part(s) in no ISBT 128 structure of a device; the label may be misread")
