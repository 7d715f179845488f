"""Whether a known extension stands where its definition allows, and is what it says.

Source: http://hl7.org/fhir/R4/defining-extensions.html#context
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fhirmod.errors import Finding

from .conform import Around, check_profile
from .facts import bases
from .invariants import Scope
from .partner_rules import NotEvaluatedError, holds, selects
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

    def say(sentence: str) -> None:
        found.append(Finding("error", "extension-context", "structure", written(place), sentence))

    if definition.modifier != (place[1] == "modifierExtension"):
        wanted = "modifierExtension" if definition.modifier else "extension"
        say(f"The extension {name} stands under {place[1]}; wanted it under {wanted}.")
    if place[0] is not None:
        holder = _held(place[0], scope)
        wanted = ", ".join(what for _, what in definition.contexts)
        if wanted and not any(_allowed(how, what, holder, scope) for how, what in definition.contexts):
            say(f"The extension {name} may not stand here; wanted it only on {wanted}.")
        for text in definition.invariants:
            if _fails(text, holder, node, scope):
                say(f"The extension {name} may not stand here; wanted in FHIRPath: {text[:200]}.")
    return [*found, *check_profile(node, definition, place=place, around=around, scope=scope)]


@dataclass(frozen=True, slots=True)
class _Holder:
    """What an extension stands on: its value, what stands beside that, its names, element paths and type."""

    value: Any
    beside: Any
    names: list[str]
    paths: set[str]
    kind: str


def _allowed(how: str, what: str, holder: _Holder, scope: Scope) -> bool:
    """Return whether a context is where an extension stands; one that cannot be evaluated is."""
    if how == "fhirpath":
        return holder.value is None or selects(what, holder.value, scope)
    if how == "extension":
        inside = holder.names[-1] in ("extension", "modifierExtension")
        return inside and isinstance(holder.value, dict) and holder.value.get("url") == what
    if what == "Element" or "#" in what or ":" in what:  # any element; one of a profile, or a slice
        return True
    return what in holder.paths or what == holder.kind or what in bases(holder.kind)


def _fails(text: str, holder: _Holder, node: Mapping[str, Any], scope: Scope) -> bool:
    """Return whether a context invariant surely fails on what an extension stands on."""
    try:
        return holds(text, holder.value, [holder.kind], scope, lambda _link: None, holder.beside, node) is False
    except NotEvaluatedError:
        return False


def _held(place: Place, scope: Scope) -> _Holder:
    """Return what stands at a place inside its resource; a choice by the type its property says."""
    steps = []
    here = place
    while here[0] is not None and here[1] not in ("resource", "contained"):
        steps.append(here[1:])
        here = here[0]
    node: Any = scope.resource
    kind = str(node.get("resourceType"))
    names, paths, beside, known = [kind], {kind}, None, True
    for name, index in reversed(steps):
        length = len(name)
        inside = node if isinstance(node, dict) else beside if isinstance(beside, dict) else {}
        keys = {key.removeprefix("_") for key in inside}
        key = next((k for k in keys if k == name or (k.startswith(name) and k[length : length + 1].isupper())), name)
        node, beside = (_at(inside.get(one), index) for one in (key, f"_{key}"))
        slot = plan(kind).slots.get(key) if known else None
        names.append(name)
        known = slot is not None
        forms = {name, f"{name}[x]"} if slot is not None and slot.field.choice else {name}
        paths = {f"{path}.{form}" for path in paths for form in forms} | {f"{kind}.{form}" for form in forms}
        kind = slot.field.type if slot is not None else "Element"
    return _Holder(node, beside, names, paths, kind)


def _at(value: Any, index: int) -> Any:
    if isinstance(value, list):
        return value[index] if 0 <= index < len(value) else None
    return value


def allowed_on(definition: Profile, name: str) -> bool:
    """Return whether an extension surely may stand on a type or nested element, by its name alone."""
    if definition.modifier or definition.invariants or any(how != "element" for how, _ in definition.contexts):
        return False
    return not definition.contexts or bool({name, *bases(name)} & {what for _, what in definition.contexts})
