"""Why a primitive is not plainly right: not of its grammar, outside its value set, or only odd."""

from typing import Any

from .grammars import PRIMITIVE, WANTED, form, is_element_id, is_relative, odd_text, odd_urn
from .meaning import Say, code
from .narrative import problems
from .places import Place
from .plan import Slot


def primitive(say: Say, value: Any, slot: Slot, place: Place) -> None:
    """Say why a primitive is not plainly right; it may be right after all."""
    field = slot.field
    kind = field.type
    if not PRIMITIVE[kind](value):
        empty = value is None
        say(
            "error",
            "null-value" if empty else f"bad-{_kebab(kind)}",
            "structure" if empty or not isinstance(value, str) else "value",
            place[0] or place if empty else place,
            f"The element {field.name} is {form(value)}; wanted {WANTED[kind]}.",
        )
        return
    if kind == "xhtml":
        for key, said in problems(value):
            say("error", key, "invariant", place, f"The narrative is not allowed XHTML: {said}.")
    elif kind == "code" and slot.bound is not None:
        code(say, value, slot.bound, field.name, place)
    elif kind == "string" and field.name == "id" and not is_element_id(value):
        say(
            "error",
            "bad-element-id",
            "value",
            place,
            f"The element id is {form(value)}; wanted text without spaces.",
        )
    elif kind in ("canonical", "uri") and is_relative(value):
        say(
            "warning",
            "relative-uri",
            "value",
            place,
            f"The element {field.name} is a relative URI; wanted one that means the same everywhere.",
        )
    elif isinstance(value, str) and odd_urn(value):
        say(
            "warning",
            "odd-urn",
            "value",
            place,
            f"The element {field.name} is {form(value)}; wanted a whole UUID or OID after urn:.",
        )
    elif isinstance(value, str) and odd_text(value):
        say(
            "warning",
            "odd-text",
            "value",
            place,
            f"The element {field.name} is blank or has control characters; wanted readable text.",
        )


def _kebab(kind: str) -> str:
    return "".join("-" + c.lower() if c.isupper() else c for c in kind)
