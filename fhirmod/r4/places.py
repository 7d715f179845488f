"""Places: where in the input a finding stands, as R4's simple subset of FHIRPath.

Element names, `[n]` for repetition; a choice under its element name (`value`, not `valueQuantity`), so
that every FHIRPath engine evaluates the place. A missing or unknown property is placed at its parent.
"""

# The one R4 element name that FHIRPath keeps for itself (its integer division).
_RESERVED = "div"

# (parent, name, index or -1): a chain that is only written out when something is said about it.
Place = tuple["Place | None", str, int]


def written(place: Place) -> str:
    """Return a place as FHIRPath.

    >>> written((((None, "Observation", -1), "component", 1), "value", -1))
    'Observation.component[1].value'
    """
    parts: list[str] = []
    here: Place | None = place
    while here is not None:
        here, name, index = here
        if name == _RESERVED:
            name = f"`{name}`"
        parts.append(name if index < 0 else f"{name}[{index}]")
    return ".".join(reversed(parts))
