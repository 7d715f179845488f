"""What `_sort` asks for, as orders of the store.

Source: http://hl7.org/fhir/R4/search.html#sort
"""

from fhirmod.errors import NotSupportedError
from fhirmod.mapping import searches
from fhirmod.store import Order

from .chaining import answered
from .indexing import LONG, UNIONS
from .narrowed import narrowed
from .wide import WIDE

MOST_KEYS = 5
_BY_TEXT = frozenset(("token", "string", "reference", "uri"))
_BY_RANGE = frozenset(("date", "number", "quantity"))


def orders(type_: str, text: str) -> tuple[Order, ...]:
    """Return the orders of ``status,-date``: a minus turns one around.

    Shape:  times and quantities are sorted by where their ranges begin, whatever the unit; codes and references by
            their text, names without case and accents.
    Errors: NotSupportedError for what a type is not sorted by.
    """
    found: list[Order] = []
    for one in text.split(","):
        name = one.removeprefix("-")
        kind = searches(type_)[name].type if name in answered(type_) else ""
        if kind not in _BY_TEXT | _BY_RANGE or len(found) == MOST_KEYS:
            able = (each for each in sorted(answered(type_)) if searches(type_)[each].type in _BY_TEXT | _BY_RANGE)
            raise NotSupportedError(
                f"{type_} is sorted by {MOST_KEYS} parameters at most, of {', '.join(able)}; got {one[:40]!r}.",
                place="_sort",
            )
        params, down = UNIONS.get(name, (name,)), one != name
        if name in narrowed(type_):
            of, to = narrowed(type_)[name]
            found.append(Order((of,), "text", down, scope=to))
        elif kind in _BY_TEXT:
            found.append(Order(params, "text", down))
        else:
            found.append(Order(params, "low", down, _texts(type_, name)))
    return tuple(found)


def _texts(type_: str, name: str) -> tuple[str, ...]:
    """Return the texts that the rows of a time may have of which a resource has one at most."""
    if name == "_lastUpdated":
        return ("",)
    return ("", LONG) if type_ in WIDE and WIDE[type_][1] == name else ()
