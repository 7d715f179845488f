"""What values mean: codes in their value sets and systems, units in UCUM, identifiers and extension urls.

Each function looks at one structurally read value and says what is wrong with it through `say`.
"""

from collections.abc import Callable
from typing import Any

from fhirmod.errors import Severity

from .bindings import Bound, broken, unknown_in_system
from .invariants.logic import UCUM, each
from .places import Place
from .plan import Slot
from .ucum import is_ucum

Say = Callable[[Severity, str, str, Place, str], None]
Json = dict[str, Any]


def code(say: Say, value: str, binding: Bound, name: str, place: Place) -> None:
    """Say whether a code is in the value set its element is bound to."""
    if found := broken(binding, value, "code"):
        severity, members = found
        _not_member(say, severity, place, f"The element {name} has the code {_shown(value)}; wanted {members.example}.")


def bound(say: Say, value: Json, slot: Slot, binding: Bound, place: Place) -> None:
    """Say whether a Coding, CodeableConcept or Quantity is in the value set its element is bound to."""
    if found := broken(binding, value, slot.field.type):
        severity, members = found
        codings = [one for one in each(value, "coding") if isinstance(one, dict)] or [value]
        got = codings[0].get("code")
        what = f"the code {_shown(got)} of {_system(codings[0])}" if isinstance(got, str) else "no code"
        _not_member(say, severity, place, f"The element {slot.field.name} has {what}; wanted {members.example}.")


def _not_member(say: Say, severity: Severity, place: Place, sentence: str) -> None:
    say(severity, "code-not-in-value-set", "code-invalid", place, sentence)


def coding(say: Say, node: Json, place: Place) -> None:
    """Say whether a Coding's code is one of its own system."""
    system, code = node.get("system"), node.get("code")
    if not isinstance(code, str) or not isinstance(system, str):
        return
    if unknown_in_system(system, code):
        say(
            "warning",
            "unknown-code",
            "code-invalid",
            place,
            f"The code {_shown(code)} is not defined by {system[:120]}; wanted one of its codes.",
        )
    elif system == UCUM and not is_ucum(code):
        _not_ucum(say, code, place)


def quantity(say: Say, node: Json, place: Place) -> None:
    """Say whether a quantity's unit is one of UCUM, if it claims to be."""
    code = node.get("code")
    if node.get("system") == UCUM and isinstance(code, str) and not is_ucum(code):
        _not_ucum(say, code, place)


def _not_ucum(say: Say, unit: str, place: Place) -> None:
    say(
        "warning",
        "unit-not-ucum",
        "code-invalid",
        place,
        f"The unit {unit[:32]} is not a UCUM unit; wanted for example mm[Hg], mL or /min.",
    )


def identifier(say: Say, node: Json, place: Place) -> None:
    """Say whether an Identifier that claims to be a URI is one."""
    value = node.get("value")
    if node.get("system") == "urn:ietf:rfc:3986" and isinstance(value, str) and ":" not in value:
        say(
            "warning",
            "identifier-not-uri",
            "value",
            place,
            "The identifier's system says its value is a URI, but it has no scheme; wanted a whole URI.",
        )


def extension(say: Say, node: Json, place: Place) -> None:
    """Say whether an extension not inside another has an absolute url."""
    url = node.get("url")
    nested = place[0] is not None and place[0][1] in ("extension", "modifierExtension")
    if isinstance(url, str) and ":" not in url and not nested:
        say(
            "error",
            "extension-url",
            "value",
            place,
            "The extension's url is relative; wanted an absolute one, as only nested ones may be relative.",
        )


def _system(coding: dict[str, Any]) -> str:
    system = coding.get("system")
    return system[:120] if isinstance(system, str) else "no system"


def _shown(code: str) -> str:
    r"""Return a code for a sentence, with what cannot be seen written as its escape.

    >>> _shown("final" + chr(160))
    'final\\xa0'
    """
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in code[:64])
