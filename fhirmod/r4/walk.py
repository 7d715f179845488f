"""The walker: one pass over a resource by its plans; what it accepts is valid R4, and this defines it.

It raises nothing for bad input: everything wrong becomes a finding at a place that resolves there.
"""

from collections.abc import Callable
from typing import Any

from fhirmod.errors import Finding, Severity

from .bundles import Bundle
from .claims import check_claims
from .conform import Around
from .definition_reading import BROKEN
from .extensions import check_extension
from .facts import concrete_types, known_types
from .grammars import form
from .invariants import Scope, wanted
from .links import Link, judge
from .meaning import Say, bound, coding, extension, identifier, quantity
from .places import Place, written
from .plan import Plan, Slot, plan
from .primitives import primitive

QUANTITIES = ("Quantity", "Age", "Count", "Distance", "Duration")
# R4 marks dom-6 as best practice (elementdefinition-bestpractice), so it informs and does not warn.
BEST_PRACTICE = frozenset(("dom-6",))


class Walk:
    """One check of one document; `findings` grows as it goes."""

    def __init__(self, around: Around | None = None) -> None:
        self.around = around or Around()
        self.findings: list[Finding] = []
        self.links: list[Link] = []
        self._known: list[tuple[dict[str, Any], Place, Scope]] = []  # extensions whose definition is known
        self._doubts: list[tuple[str, Exception]] = []
        self._unlike = 0  # how many findings of profiles refuse: these do not make what is around them unreadable
        self._hooks = {
            "Reference": self._reference,
            "Coding": self._meant(coding),
            "Identifier": self._meant(identifier),
            "Extension": self._extension,
            **dict.fromkeys(QUANTITIES, self._meant(quantity)),
        }

    def _meant(self, judge_value: Callable[[Say, Any, Place], None]) -> Callable[[Any, Slot, Place, Scope], None]:
        return lambda node, _slot, place, _scope: judge_value(self.say, node, place)

    def say(self, severity: Severity, code: str, issue: str, place: Place, sentence: str) -> None:
        """Add a finding."""
        self.findings.append(Finding(severity, code, issue, written(place), sentence))

    def error(self, code: str, issue: str, place: Place, sentence: str) -> None:
        """Add a finding that refuses."""
        self.say("error", code, issue, place, sentence)

    def finish(self) -> list[Finding]:
        """Return the findings; a rule that could not be read must have been broken by something said."""
        if self._doubts and not any(one.refuses for one in self.findings):
            raise self._doubts[0][1]
        return self.findings

    def resource(self, node: Any, place: Place, container: Scope | None = None) -> None:
        """Check a resource: the document itself, or one inside (`container` for a contained one)."""
        if not isinstance(node, dict):
            self.error("not-an-object", "structure", place, f"A resource is {form(node)}; wanted an object.")
            return
        kind = node.get("resourceType")
        if not isinstance(kind, str) or kind not in known_types():
            got = "has no resourceType" if kind is None else "has a resourceType R4 does not know"
            self.error("resource-type", "structure", place, f"The object {got}; wanted the name of an R4 resource.")
            return
        scope = Scope(node, container.root if container else node)
        if kind not in concrete_types():
            self.say(
                "warning",
                "type-not-carried",
                "not-supported",
                place,
                f"{kind} is an R4 type whose definition is not carried here; "
                "only what every resource has was checked, wanted one of the carried types for a full check.",
            )
            self._object(node, plan("DomainResource"), place, scope, open_ended=True)
            return
        first_link, first_finding, first_extension = len(self.links), len(self.findings), len(self._known)
        unlike = self._unlike
        self._object(node, plan(kind), place, scope)
        if sum(one.refuses for one in self.findings[first_finding:]) == self._unlike - unlike:
            found = [
                said
                for inner, at, inside in self._known[first_extension:]
                for said in check_extension(inner, at, inside, self.around)
            ]
            found += check_claims(node, place, self.around, scope)
            self._unlike += sum(one.refuses for one in found)
            self.findings += found
        del self._known[first_extension:]
        if kind == "Bundle":
            Bundle(node, place, self.links[first_link:], self.say).check()

    def _object(
        self, node: dict[str, Any], shape: Plan, place: Place, scope: Scope, *, open_ended: bool = False
    ) -> None:
        slots = shape.slots
        chosen: dict[str, str] | None = None
        for key, value in node.items():
            slot = slots.get(key)
            if slot is None:
                self._unknown(key, value, shape, place, open_ended=open_ended)
                continue
            if slot.group:
                chosen = {} if chosen is None else chosen
                bare = key.removeprefix("_")
                if chosen.setdefault(slot.group, bare) != bare:
                    self.error(
                        "two-choices",
                        "structure",
                        place,
                        f"Both {chosen[slot.group]} and {bare} are given; wanted one {slot.group}[x].",
                    )
            if slot.companion:
                self._companions(node, key, slot, place, scope)
            elif slot.many:
                self._list(node, key, slot, place, scope)
            elif slot.primitive:
                if not slot.plain(value):  # type: ignore[misc]
                    primitive(self.say, value, slot, (place, slot.field.name, -1))
            else:
                self._complex(value, slot, (place, slot.field.name, -1), scope)
            if slot.checks and slot.primitive and not slot.many:
                self.rules(slot.checks, value, (place, slot.field.name, -1), scope)
        for name, keys in shape.required:
            if not any(key in node for key in keys):
                self.error(
                    "missing-element",
                    "required",
                    place,
                    f"The element {name} is missing; {shape.name} must have it.",
                )
        if shape.checks:
            self.rules(shape.checks, node, place, scope)

    def rules(self, checks: Any, node: Any, place: Place, scope: Scope) -> None:
        """Say which rules do not hold for a node."""
        for key, severity, text, test in checks:
            try:
                held = test(node, scope)
            except BROKEN as broken:
                self._doubts.append((key, broken))
                continue
            if held is False:
                if key in BEST_PRACTICE and scope.root is not scope.resource:
                    continue
                self.say(
                    "information" if key in BEST_PRACTICE else severity,
                    key,
                    "invariant",
                    place,
                    f"The R4 rule {key} does not hold here; wanted {wanted(key, text)}.",
                )

    def _unknown(self, key: str, value: Any, shape: Plan, place: Place, *, open_ended: bool) -> None:
        if key == "resourceType" and (open_ended or shape.name in known_types()):
            return
        if open_ended:
            self._sane(key, value, place)
            return
        shown = key if key.isidentifier() and len(key) <= 64 else "of a name that cannot be shown"
        hint = ""
        if key == "fhir_comments":
            hint = " (comments ended before R4)"
        elif key.startswith("_") and key[1:] in shape.slots:
            hint = " (only primitive elements have one)"
        self.error(
            "unknown-property",
            "structure",
            place,
            f"The property {shown} is not part of {shape.name}{hint}; wanted only what R4 defines.",
        )

    def _sane(self, key: str, value: Any, place: Place) -> None:
        """Check what JSON form says of any element, where no definition is carried."""
        shown = key if key.isidentifier() and len(key) <= 64 else "of a name that cannot be shown"
        if value is None or value in ({}, [], ""):
            self.error("empty-value", "structure", place, f"The property {shown} is empty; wanted a value or none.")
        for one in value if isinstance(value, list) else (value,):
            if isinstance(one, dict):
                for inner, below in one.items():
                    self._sane(inner, below, place)

    def _list(self, node: dict[str, Any], key: str, slot: Slot, place: Place, scope: Scope) -> None:
        value = node[key]
        name = slot.field.name
        if type(value) is not list:
            self.error(
                "not-a-list",
                "structure",
                (place, name, -1) if value is not None else place,
                f"The element {name} is {form(value)}; wanted a list, as it may repeat.",
            )
            return
        if not value:
            self.error("empty-list", "structure", place, f"The list {name} is empty; wanted no property at all.")
            return
        if 1 < slot.field.most < len(value):
            self.error(
                "too-many",
                "structure",
                (place, name, slot.field.most),
                f"The element {name} stands {len(value)} times; wanted at most {slot.field.most}.",
            )
        if slot.primitive:
            plain = slot.plain
            for index, item in enumerate(value):
                if not plain(item):  # type: ignore[misc]
                    if item is None:
                        self._hole(node, key, index, slot, place)
                    else:
                        primitive(self.say, item, slot, (place, name, index))
                if slot.checks:
                    self.rules(slot.checks, item, (place, name, index), scope)
        else:
            for index, item in enumerate(value):
                self._complex(item, slot, (place, name, index), scope)

    def _hole(self, node: dict[str, Any], key: str, index: int, slot: Slot, place: Place) -> None:
        """A null in a list of primitives stands for a value that has only an extension."""
        companions = node.get("_" + key)
        if isinstance(companions, list) and index < len(companions) and isinstance(companions[index], dict):
            return
        name = slot.field.name
        self.error(
            "null-value",
            "structure",
            place,
            f"The list {name} has a null at {index}; wanted a value, or an extension beside the null.",
        )

    def _companions(self, node: dict[str, Any], key: str, slot: Slot, place: Place, scope: Scope) -> None:
        value = node[key]
        name = slot.field.name
        if not slot.many:
            self._companion(value, node.get(key[1:]), slot, (place, name, -1), scope)
            return
        if type(value) is not list or not value:
            self.error(
                "not-a-list",
                "structure",
                place,
                f"The property {key} is {form(value)}; wanted a list that is not empty.",
            )
            return
        values = node.get(key[1:])
        beside = values if isinstance(values, list) else []
        if values is not None and len(beside) != len(value):
            self.say(
                "warning",
                "uneven-lists",
                "structure",
                place,
                f"{key} has {len(value)} members beside {len(beside)} of {key[1:]}; wanted as many.",
            )
        for index, one in enumerate(value):
            if one is not None:
                bare = beside[index] if index < len(beside) else None
                self._companion(one, bare, slot, (place, name, index), scope)
            elif index >= len(beside):
                self.error(
                    "null-value",
                    "structure",
                    place,
                    f"{key} has a null at {index} with no value beside it; wanted one.",
                )

    def _companion(self, value: Any, beside: Any, slot: Slot, place: Place, scope: Scope) -> None:
        if type(value) is not dict or not value:
            self.error(
                "not-an-object",
                "structure",
                place if beside is not None else place[0] or place,
                f"Beside {slot.field.name} stands {form(value)}; wanted an object with id or extension.",
            )
            return
        self._object(value, plan("Element"), place, scope)
        if beside is None and "extension" not in value:
            self.error(
                "ele-1",
                "invariant",
                place,
                f"The element {slot.field.name} has neither value nor extension; wanted one of them.",
            )

    def _complex(self, value: Any, slot: Slot, place: Place, scope: Scope) -> None:
        if type(value) is not dict:
            said = f"The element {slot.field.name} is {form(value)}; wanted an object"
            if type(value) is list:
                said += ", as it may stand only once"
            resolvable = place if value is not None and place[0] is not None else place[0] or place
            self.error("not-an-object", "structure", resolvable, said + ".")
            return
        if not value:
            self.error("empty-object", "structure", place, f"The element {slot.field.name} is empty; wanted content.")
            return
        field = slot.field
        if field.type == "Resource":
            inside = field.name == "contained"
            self.resource(value, place, scope if inside else None)
            if inside:
                self._contained(value, place, scope)
            return
        inner = slot.plan
        if inner is None:
            inner = slot.plan = plan(slot.inner)
        if len(value) == 1 and "id" in value:
            self.error(
                "ele-1",
                "invariant",
                place,
                f"The element {field.name} has only an id; wanted a value or children.",
            )
        self._object(value, inner, place, scope)
        hook = self._hooks.get(field.type)
        if hook is not None:
            hook(value, slot, place, scope)
        if slot.bound is not None:
            bound(self.say, value, slot, slot.bound, place)
        if slot.checks:
            self.rules(slot.checks, value, place, scope)

    def _contained(self, node: dict[str, Any], place: Place, scope: Scope) -> None:
        """A contained resource is found by its id, so it has one that no other in its container has."""
        identity = node.get("id")
        if identity is None:
            self.error(
                "contained-without-id",
                "required",
                place,
                "The contained resource has no id, so nothing can refer to it; wanted an id.",
            )
            return
        earlier = scope.root.get("contained")
        for one in earlier if isinstance(earlier, list) else ():
            if one is node:
                return
            if isinstance(one, dict) and one.get("id") == identity:
                self.error(
                    "contained-id-twice",
                    "duplicate",
                    place,
                    "Another contained resource has the same id; wanted an id of its own.",
                )
                return

    def _extension(self, node: dict[str, Any], _slot: Slot, place: Place, scope: Scope) -> None:
        extension(self.say, node, place)
        url = node.get("url")
        if isinstance(url, str) and url in self.around.known.extensions:
            self._known.append((node, place, scope))

    def _reference(self, node: dict[str, Any], slot: Slot, place: Place, scope: Scope) -> None:
        text = node.get("reference")
        if isinstance(text, str):
            self.links.append(Link(text, slot.field.targets, place, scope))
        for said in judge(node, slot, scope):
            self.say(said.severity, said.code, said.issue, place, said.sentence)  # type: ignore[arg-type]
