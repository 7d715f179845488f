"""Whether a known extension stands where its definition allows, and is what it says.

Source: http://hl7.org/fhir/R4/defining-extensions.html#context
"""

from collections.abc import Mapping
from typing import Any

from fhirmod.errors import Finding

from .conform import Around, check_profile, inside_resource
from .facts import facts
from .invariants import Scope
from .partner_rules import selects
from .places import Place, written
from .plan import plan
from .profiles import Profile


def check_extension(node: Mapping[str, Any], place: Place, scope: Scope, around: Around) -> list[Finding]:
    """Return what is wrong with an extension whose definition is known; nothing is said of others."""
    url = node.get("url")
    definition = around.known.profile(url) if isinstance(url, str) and url in around.known.extensions else None
    if definition is None:
        return []
    found = []
    name = definition.url.rpartition("/")[2]
    if definition.modifier != (place[1] == "modifierExtension"):
        wanted = "modifierExtension" if definition.modifier else "extension"
        sentence = f"The extension {name} stands under {place[1]}; wanted it under {wanted}."
        found.append(Finding("error", "extension-context", "structure", written(place), sentence))
    if definition.contexts and not any(_allowed(how, what, place, scope) for how, what in definition.contexts):
        wanted = ", ".join(what for _, what in definition.contexts)
        sentence = f"The extension {name} may not stand here; wanted it only on {wanted}."
        found.append(Finding("error", "extension-context", "structure", written(place), sentence))
    return [*found, *check_profile(node, definition, place=place, around=around, scope=scope)]


def _allowed(how: str, what: str, place: Place, scope: Scope) -> bool:
    """Return whether a context is where an extension stands; one that cannot be evaluated is."""
    holder = place[0]
    if holder is None:
        return False
    if how == "fhirpath":
        return selects(what, _held(holder, scope), scope)
    if how == "extension":
        held = _held(holder, scope) if holder[1] in ("extension", "modifierExtension") else None
        return isinstance(held, dict) and held.get("url") == what
    if what == "Element" or "#" in what or ":" in what:  # any element; one of a profile, or a slice
        return True
    path, kinds = _where(inside_resource(holder, scope))
    return what in path or what in kinds


def _held(place: Place, scope: Scope) -> Any:
    """Return the value at a place inside its resource; of a primitive, what stands beside it."""
    steps = []
    here = place
    while here[0] is not None and here[1] not in ("resource", "contained"):
        steps.append(here[1:])
        here = here[0]
    node: Any = scope.resource
    for name, index in reversed(steps):
        length = len(name)
        forms = (
            name,
            f"_{name}",
            *(key for key in node if key.startswith(name) and key[length : length + 1].isupper()),
        )
        node = next((node[key] for key in forms if isinstance(node.get(key), dict | list)), {})
        if isinstance(node, list):
            node = node[index] if 0 <= index < len(node) else {}
        if not isinstance(node, dict):
            return {}
    return node


def allowed_on(definition: Profile, name: str) -> bool:
    """Return whether an extension surely may stand on a type or nested element, by its name alone."""
    if definition.modifier or any(how != "element" for how, _ in definition.contexts):
        return False
    return not definition.contexts or bool({name, *_bases(name)} & {what for _, what in definition.contexts})


def _where(names: list[str]) -> tuple[set[str], set[str]]:
    """Return the element paths by which a place is known, and the types it has with what they are made from."""
    kind = names[0]
    paths, kinds = {kind}, {kind}
    for name in names[1:]:
        try:
            fields = [slot.field for slot in plan(kind).slots.values() if slot.field.name == name]
        except KeyError:
            return paths, {"Element"}
        if not fields:
            return paths, {"Element"}
        forms = {name, f"{name}[x]"} if fields[0].choice else {name}
        paths = {f"{path}.{form}" for path in paths for form in forms} | {f"{kind}.{form}" for form in forms}
        kinds = {field.type for field in fields}
        kind = fields[0].type
    return paths, kinds | {above for one in kinds for above in _bases(one)}


def _bases(kind: str) -> set[str]:
    found = set()
    types = facts()["types"]
    above = types.get(kind, {}).get("base", "BackboneElement" if "." in kind else "")
    while above:
        found.add(above)
        above = types.get(above, {}).get("base", "")
    return found
