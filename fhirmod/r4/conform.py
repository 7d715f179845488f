"""Whether a resource conforms to a profile: cardinality, types, fixed values, slices, bindings, rules.

The base type is the walker's business; here only what the profile adds is judged.
Source: http://hl7.org/fhir/R4/profiling.html#slicing, elementdefinition.html (fixed and pattern values).
"""

from collections.abc import Iterator, Mapping
from typing import Any

from fhirmod.errors import Finding, Severity

from .invariants import TESTS, Scope, Test, wanted
from .paths import type_in
from .places import Place, written
from .profiles import Element, Profile, by_code, profile
from .slices import Item, belongs, contains, items


def check_profile(
    resource: Mapping[str, Any],
    against: Profile,
    *,
    rules: Mapping[str, Test] = TESTS,
    place: Place | None = None,
    severity: Severity = "error",
) -> list[Finding]:
    """Return what a resource lacks of a profile; `severity` is what a broken demand counts as.

    Shape: `rules` maps the FHIRPath of the profile's own rules to their functions; a rule that is not in it
           is reported as not evaluated. Slices are told apart by value, pattern, exists and type; other
           discriminators are reported as not evaluated too.
    """
    found = _Conformance(resource, against, rules, severity)
    found.object(against.root, resource, place or (None, against.type, -1))
    return list(dict.fromkeys(found.findings))  # a slice repeats what its element asks


def check_claims(resource: Mapping[str, Any], place: Place) -> list[Finding]:
    """Return what a resource lacks of R4's own profiles, as errors if claimed, as warnings if its code asks.

    Source: http://hl7.org/fhir/R4/observation-vitalsigns.html (whoever records these codes shall conform).
    """
    found: list[Finding] = []
    meta = resource.get("meta")
    claimed = [url for url in meta.get("profile", ()) if isinstance(url, str)] if isinstance(meta, dict) else []
    done = set()
    for url in claimed:
        one = profile(url)
        if one is None:
            continue
        if one.type != resource.get("resourceType"):
            sentence = f"The resource claims a profile of {one.type}; wanted one of its own type."
            found.append(Finding("error", "profile-of-another-type", "structure", written(place), sentence))
            continue
        done.add(one.url)
        found += check_profile(resource, one, place=place)
    for url in _asked(resource):
        one = profile(url)
        if one is not None and one.url not in done:
            found += check_profile(resource, one, place=place, severity="warning")
    return found


def _asked(resource: Mapping[str, Any]) -> Iterator[str]:
    code, kind = resource.get("code"), str(resource.get("resourceType"))
    codings = code.get("coding") if isinstance(code, dict) else None
    for one in codings if isinstance(codings, list) else ():
        if isinstance(one, dict):
            url = by_code().get((kind, str(one.get("system")), str(one.get("code"))))
            if url:
                yield url


class _Conformance:
    def __init__(
        self, resource: Mapping[str, Any], against: Profile, rules: Mapping[str, Test], severity: Severity
    ) -> None:
        self.findings: list[Finding] = []
        self._scope = Scope(resource, resource)
        self._name = against.url.rpartition("/")[2]
        self._rules = rules
        self._severity = severity

    def _say(self, code: str, issue: str, place: Place, sentence: str, severity: Severity | None = None) -> None:
        self.findings.append(
            Finding(severity or self._severity, code, issue, written(place), f"Profile {self._name}: {sentence}")
        )

    def object(self, element: Element, node: Any, place: Place) -> None:
        """Judge one value and what stands below it."""
        self._value(element, node, place)
        if isinstance(node, dict):
            for child in element.children.values():
                self._child(child, items(node, child.name, place), place)

    def _value(self, element: Element, node: Any, place: Place) -> None:
        if element.wanted is not None and node is not None:
            fits = node == element.wanted if element.exact else contains(node, element.wanted)
            if not fits:
                how = "exactly" if element.exact else "at least"
                self._say(
                    "profile-value",
                    "value",
                    place,
                    f"the element {element.label} differs; wanted {how} {_shown(element)}.",
                )
        if element.targets and isinstance(node, dict) and isinstance(node.get("reference"), str):
            kind = type_in(node["reference"])
            if (
                kind
                and all(target.isalpha() for target in element.targets)
                and not {kind, "Resource"} & element.targets
            ):
                wanted = ", ".join(sorted(element.targets))
                self._say(
                    "profile-target",
                    "structure",
                    place,
                    f"{element.label} points to {kind}; wanted one of {wanted}.",
                )
        if element.binding is not None and node is not None:
            self._binding(element, node, place)
        for key, severity, text in element.rules:
            self._rule(key, severity, text, node, place)

    def _rule(self, key: str, severity: str, text: str, node: Any, place: Place) -> None:
        test = self._rules.get(text)
        if test is None:
            self._say(
                "rule-not-evaluated",
                "not-supported",
                place,
                f"its rule {key} has no function here, so it was not evaluated; wanted one for a full check.",
                "information",
            )
            return
        try:
            held = test(node, self._scope)
        except (TypeError, AttributeError, KeyError, ValueError):
            return  # the walker has said what is broken here
        if held is False:
            worst = self._severity if severity == "error" else "warning"
            self._say(key, "invariant", place, f"the rule {key} does not hold; wanted {wanted(key, text)}.", worst)

    def _child(self, element: Element, found: list[Item], above: Place) -> None:
        if len(found) < element.least:
            self._say(
                "profile-missing",
                "required",
                above,
                f"{element.label} stands {len(found)} times; wanted at least {element.least}.",
            )
        if element.most is not None and len(found) > element.most:
            self._say(
                "profile-too-many",
                "structure",
                above,
                f"{element.label} stands {len(found)} times; wanted at most {element.most}.",
            )
        for kind, node, place in found:
            if kind and element.types and kind not in element.types:
                wanted = ", ".join(sorted(element.types))
                self._say(
                    "profile-type",
                    "structure",
                    place,
                    f"{element.label} is a {kind}; wanted one of {wanted}.",
                )
            self.object(element, node, place)
        if element.slices:
            self._slices(element, found, above)

    def _slices(self, element: Element, found: list[Item], above: Place) -> None:
        unknown = {kind for kind, _ in element.discriminators} - {"value", "pattern", "type", "exists"}
        if unknown:
            self._say(
                "slicing-not-evaluated",
                "not-supported",
                above,
                f"{element.label} is sliced by {', '.join(sorted(unknown))}, which is not evaluated; "
                "wanted value, pattern, type or exists.",
                "information",
            )
            return
        counts = dict.fromkeys(element.slices, 0)
        for item in found:
            part = next((s for s in element.slices.values() if belongs(element, s, item)), None)
            if part is None:
                if element.closed:
                    self._say(
                        "profile-closed",
                        "structure",
                        item[2],
                        f"{element.label} fits none of its closed slices; wanted one of {', '.join(element.slices)}.",
                    )
                continue
            counts[part.slice] += 1
            self.object(part, item[1], item[2])
        choice = element.name.endswith("[x]")
        for name, count in counts.items():
            part = element.slices[name]
            # A slice of an optional choice speaks of the value that is there, not of one being there.
            if count < part.least and not (choice and not found and element.least == 0):
                self._say(
                    "profile-slice",
                    "required",
                    above,
                    f"slice {name} of {element.label} stands {count} times; wanted at least {part.least}.",
                )
            if part.most is not None and count > part.most:
                self._say(
                    "profile-slice",
                    "structure",
                    above,
                    f"slice {name} of {element.label} stands {count} times; wanted at most {part.most}.",
                )

    def _binding(self, element: Element, node: Any, place: Place) -> None:
        binding = element.binding
        if binding is None or binding.members is None:
            return
        members = binding.members
        if isinstance(node, str):
            fits = members.code(node)
        elif isinstance(node, dict) and "coding" in node:
            fits = any(members.coding(one) for one in node["coding"] if isinstance(one, dict))
        elif isinstance(node, dict) and "code" in node:
            fits = members.coding(node)
        else:
            return
        if not fits:
            worst = self._severity if binding.strength == "required" else "warning"
            self._say(
                "code-not-in-value-set",
                "code-invalid",
                place,
                f"the code of {element.label} is outside its value set; wanted {members.example}.",
                worst,
            )


def _shown(element: Element) -> str:
    return str(element.wanted) if isinstance(element.wanted, str | int | bool) else "what the profile fixes"
