"""Whether a resource conforms to a profile: cardinality, types, fixed values, slices, bindings, rules, targets.

The base type is the walker's business; here only what the profile adds is judged.
Source: http://hl7.org/fhir/R4/profiling.html#slicing, elementdefinition.html (fixed and pattern values).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fhirmod.errors import Finding, Severity

from .bindings import Bound, broken
from .inside import Inside
from .invariants import TESTS, Scope, Test, wanted
from .known import R4, Known
from .limits import outside_limits
from .links import misplaced, misversioned, named_type
from .partner_rules import NotEvaluatedError, holds
from .places import Place, written
from .profiles import Element, Profile
from .slices import Item, Meeting, contains, items
from .slicing import Sliced, sliced

Json = dict[str, Any]


@dataclass(frozen=True)
class Around:
    """What a resource is judged in: the definitions that are known, and the document it is part of.

    Shape: `asking` are the (resource, profile) pairs being judged, so that a circle of references ends.
    """

    known: Known = R4
    inside: Inside = field(default_factory=lambda: Inside(None))
    rules: Mapping[str, Test] = field(default_factory=lambda: TESTS)
    asking: frozenset[tuple[int, str]] = frozenset()


def check_profile(
    resource: Mapping[str, Any],
    against: Profile,
    *,
    around: Around | None = None,
    rules: Mapping[str, Test] | None = None,
    place: Place | None = None,
    severity: Severity = "error",
    scope: Scope | None = None,
) -> list[Finding]:
    """Return what a resource lacks of a profile; `severity` is what a broken demand counts as.

    Shape: `rules` maps the FHIRPath of rules to functions; any other rule is evaluated as FHIRPath, and
           reported where it cannot be. `scope` tells the resource around a value that is none itself.
    """
    around = around or Around()
    if rules is not None:
        around = Around(around.known, around.inside, rules, around.asking)
    found = _Conformance(resource, against, around, severity, scope)
    found.object(against.root, Item("", resource, place or (None, against.type, -1)))
    return list(dict.fromkeys(found.findings))  # a slice repeats what its element asks


class _Conformance:
    def __init__(
        self,
        resource: Mapping[str, Any],
        against: Profile,
        around: Around,
        severity: Severity,
        scope: Scope | None,
    ) -> None:
        self.findings: list[Finding] = []
        self._scope = scope or Scope(resource, resource)
        self._name = against.url.rpartition("/")[2]
        asking = around.asking | {(id(resource), against.url)}
        self._around = Around(around.known, around.inside, around.rules, asking)
        self._severity = severity
        self._place: Place = (None, against.type, -1)
        self._meeting = Meeting(self._target, self._conforms, self._root)

    def _say(self, code: str, issue: str, place: Place, sentence: str, severity: Severity | None = None) -> None:
        self.findings.append(
            Finding(severity or self._severity, code, issue, written(place), f"Profile {self._name}: {sentence}")
        )

    def object(self, element: Element, item: Item) -> None:
        """Judge one value and what stands below it; below a primitive, what stands beside its value."""
        self._place = item.place
        if isinstance(item.value, dict) and "resourceType" in item.value and item.value is not self._scope.resource:
            outer, root = self._scope, self._scope.root if item.place[1] == "contained" else item.value
            self._scope = Scope(item.value, root)
            self._judge(element, item)
            self._scope = outer
        else:
            self._judge(element, item)

    def _judge(self, element: Element, item: Item) -> None:
        self._value(element, item)
        node = item.value if isinstance(item.value, dict) else item.beside
        for child in element.children.values():
            found = items(node, child.name, item.place) if isinstance(node, dict) else []
            self._child(child, found, item.place)

    def _value(self, element: Element, item: Item) -> None:
        _, node, place, beside = item
        if element.wanted is not None:  # a primitive that has only an extension is there and differs
            fits = node == element.wanted if element.exact else contains(node, element.wanted)
            if not fits or (element.exact and isinstance(beside, dict) and "extension" in beside):
                how = "exactly" if element.exact else "at least"
                self._say(
                    "profile-value",
                    "value",
                    place,
                    f"the element {element.label} differs; wanted {how} {_shown(element)}.",
                )
        if (limit := outside_limits(element, node)) is not None:
            self._say("profile-limit", "value", place, f"{element.label} is outside its limits; wanted {limit}.")
        if isinstance(node, dict) and (element.targets or element.aggregation or element.versioning):
            self._leads(element, node, place)
        if element.profiles and node is not None:
            self._of_profiles(element, item)
        if element.binding is not None and node is not None:
            self._binding(element, element.binding, item)
        for key, severity, text in element.rules:
            self._rule(key, severity, text, item)

    def _leads(self, element: Element, node: Json, place: Place) -> None:
        """Judge what a reference leads to: where it is, its type, and where the resource is here, its profile."""
        text = node.get("reference")
        target = self._around.inside.target(text, place, self._scope.root) if isinstance(text, str) else None
        kind = str(target.get("resourceType")) if target is not None else named_type(node)
        if isinstance(text, str):
            if wanted := misplaced(element, text, found=target is not None, inside=self._around.inside.bundle):
                said = f"{element.label} leads to where it may not; wanted a target that is {wanted}."
                self._say("profile-aggregation", "structure", place, said)
            if wanted := misversioned(element, text):
                self._say("profile-versioning", "structure", place, f"{element.label} {wanted}.")
        if not kind or not all(one.isalpha() for one in element.targets):
            return
        if kind not in element.targets:
            wanted = ", ".join(sorted(element.targets))
            self._say(
                "profile-target", "structure", place, f"{element.label} points to {kind}; wanted one of {wanted}."
            )
            return
        profiles = element.targets[kind]
        if target is None or not profiles:
            return
        judged = [self._conforms(target, url) for url in profiles]
        if judged and all(one is False for one in judged):
            self._say(
                "profile-target",
                "structure",
                place,
                f"{element.label} leads to a {kind} that does not conform; wanted {_named(profiles)}.",
            )

    def _of_profiles(self, element: Element, item: Item) -> None:
        """Judge a value against the profiles of its type: it must conform to one; of one alone all is said."""
        kind, node, place, _ = item
        known = [one for url in element.profiles if (one := self._around.known.profile(url)) is not None]
        if len(known) < len(element.profiles) or any((id(node), one.url) in self._around.asking for one in known):
            return
        known = [one for one in known if not kind or one.constrains(kind)]
        if len(known) == 1:
            self.findings += check_profile(
                node, known[0], around=self._around, place=place, severity=self._severity, scope=self._within(node)
            )
        elif known and not any(self._conforms(node, one.url) for one in known):
            self._say(
                "profile-type-profile",
                "structure",
                place,
                f"{element.label} conforms to none of its profiles; wanted {_named(element.profiles)}.",
            )

    def _within(self, node: Any) -> Scope:
        return Scope(node, node) if isinstance(node, dict) and "resourceType" in node else self._scope

    def _conforms(self, node: Any, url: str) -> bool | None:
        """Return whether a value conforms to a profile, or None where the profile is not known."""
        one = self._around.known.profile(url)
        if one is None or not isinstance(node, Mapping):
            return None
        if (id(node), one.url) in self._around.asking:
            return True
        if not one.constrains(str(node.get("resourceType", one.type))):
            return False
        found = check_profile(node, one, around=self._around, scope=self._within(node))
        return not any(finding.refuses for finding in found)

    def _root(self, url: str) -> Element | None:
        one = self._around.known.profile(url)
        return None if one is None else one.root

    def _target(self, node: Any, place: Place, inside: Any) -> Mapping[str, Any] | None:
        text = node.get("reference") if isinstance(node, dict) else None
        root = inside or self._scope.root
        return self._around.inside.target(text, place, root) if isinstance(text, str) else None

    def _rule(self, key: str, severity: str, text: str, item: Item) -> None:
        _, node, place, beside = item
        test = self._around.rules.get(text)
        try:
            if test is not None:
                held = test(node, self._scope)
            else:
                path = [item.kind] if item.kind else inside_resource(place, self._scope)
                held = holds(text, node, path, self._scope, self._by_text, beside)
        except NotEvaluatedError as why:
            self._say(
                "rule-not-evaluated",
                "not-supported",
                place,
                f"its rule {key} was not evaluated, as {why}; wanted one that can be for a full check.",
                "information",
            )
            return
        except (TypeError, AttributeError, KeyError, ValueError):
            return  # the walker has said what is broken here
        if held is False:
            worst = self._severity if severity == "error" else "warning"
            self._say(key, "invariant", place, f"the rule {key} does not hold; wanted {wanted(key, text)}.", worst)

    def _by_text(self, text: str) -> Mapping[str, Any] | None:
        return self._around.inside.target(text, self._place, self._scope.root)

    def _child(self, element: Element, found: list[Item], above: Place) -> None:
        self._counted(element, len(found), above)
        for item in found:
            got = _kind(item)
            if got and element.types and not {got, "Resource", "DomainResource"} & element.types:
                wanted = ", ".join(sorted(element.types))
                self._say(
                    "profile-type", "structure", item.place, f"{element.label} is a {got}; wanted one of {wanted}."
                )
            self.object(element, item if got == item.kind else item._replace(kind=got))
        if element.slices:
            self._slices(element, found, above)

    def _counted(self, element: Element, count: int, above: Place) -> None:
        if count < element.least:
            self._say(
                "profile-missing",
                "required",
                above,
                f"{element.label} stands {count} times; wanted at least {element.least}.",
            )
        if element.most is not None and count > element.most:
            self._say(
                "profile-too-many",
                "structure",
                above,
                f"{element.label} stands {count} times; wanted at most {element.most}.",
            )

    def _slices(self, element: Element, found: list[Item], above: Place) -> None:
        said = sliced(element, found, self._meeting)
        if not isinstance(said, Sliced):
            self._say("slicing-not-evaluated", "not-supported", above, said, "information")
            return
        for place, sentence in said.wrong:
            self._say("profile-closed", "structure", place, sentence)
        for place, names in said.unsure:
            listed = ", ".join(names)
            sentence = f"{element.label} may be of slice {listed}, but what would tell is not here; wanted it here."
            self._say("slicing-not-evaluated", "not-supported", place, sentence, "information")
        maybe = [name for _, names in said.unsure for name in names]
        for name, part in element.slices.items():
            inside = said.members[name]
            for item in inside:
                got = _kind(item)
                self.object(part, item if got == item.kind else item._replace(kind=got))
            if part.slices:
                self._slices(part, inside, above)
            if len(inside) + maybe.count(name) < part.least:
                self._say(
                    "profile-slice",
                    "required",
                    above,
                    f"slice {name} of {element.label} stands {len(inside)} times; wanted at least {part.least}.",
                )
            if part.most is not None and len(inside) > part.most:
                self._say(
                    "profile-slice",
                    "structure",
                    above,
                    f"slice {name} of {element.label} stands {len(inside)} times; wanted at most {part.most}.",
                )

    def _binding(self, element: Element, binding: Bound, item: Item) -> None:
        kind = item.kind or next(iter(element.types), "")
        kind = kind or ("CodeableConcept" if isinstance(item.value, dict) and "system" not in item.value else "Coding")
        if found := broken(binding, item.value, kind):
            severity, members = found
            self._say(
                "code-not-in-value-set",
                "code-invalid",
                item.place,
                f"the code of {element.label} is outside its value set; wanted {members.example}.",
                self._severity if severity == "error" else "warning",
            )


def inside_resource(place: Place, scope: Scope) -> list[str]:
    """Return the element names of a place from its nearest resource on, which stands under its type."""
    names: list[str] = []
    here: Place | None = place
    while here is not None:
        here, name, _ = here
        names.append(name)
        if here is not None and name in ("resource", "contained"):
            break
    kind = scope.resource.get("resourceType")
    return [str(kind) if kind else names[-1], *reversed(names[:-1])]


def _kind(item: Item) -> str:
    node = item.value
    return item.kind or (str(node["resourceType"]) if isinstance(node, dict) and "resourceType" in node else "")


def _named(urls: tuple[str, ...]) -> str:
    return "one of " + ", ".join(url.rpartition("/")[2] for url in urls)


def _shown(element: Element) -> str:
    return str(element.wanted) if isinstance(element.wanted, str | int | bool) else "what the profile fixes"
