"""The fast way in: whether a resource is plainly valid, so that the walker need not be asked.

The walker is the definition. `accepts` says yes only where the walker would find no error (a property test
holds it to that); a no means nothing, and `refusals` then asks the walker.
"""

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

import jsonschema_rs

from fhirmod.errors import Finding

from .bundles import Bundle
from .check import check
from .inside import Inside
from .invariants import Scope
from .invariants.logic import each
from .keywords import Test, keyword
from .known import R4, Known
from .links import Link
from .meaning import bound
from .narrative import problems
from .places import Place
from .plan import Slot, plan
from .profile_subset import acceptor, linked, rule
from .profiles import Profile
from .subset import subset_schema, ways

_FOLLOWED = frozenset(("transaction", "batch", "message"))


def refusals(resource: Any, known: Known = R4) -> list[Finding]:
    """Return the errors R4 finds in a parsed resource or Bundle; warnings are `check`'s business."""
    return [] if accepts(resource, known) else [one for one in check(resource, known=known) if one.refuses]


def accepts(resource: Any, known: Known = R4) -> bool:
    """Return whether a parsed resource or Bundle is of the fast subset: then R4 has nothing against it."""
    if not isinstance(resource, dict):
        return False
    try:
        if not _validator(known).is_valid(resource):
            return False
    except (RecursionError, ValueError):
        return False
    if not _claims(resource, known, None, -1):
        return False
    if resource["resourceType"] != "Bundle":
        return True
    inside = Inside(resource)
    return _whole(resource) and all(
        _claims(entry["resource"], known, inside, number)
        for number, entry in enumerate(resource.get("entry", ()))
        if "resource" in entry
    )


def _claims(resource: Mapping[str, Any], known: Known, inside: Inside | None, number: int) -> bool:
    """Return whether a resource (of entry `number`) plainly conforms to every profile it claims that is known."""
    for url in resource.get("meta", _NOTHING).get("profile", ()):
        one = known.profile(url)
        if one is not None and not (one.type == resource["resourceType"] and _plainly(resource, one)):
            return False
        if one is not None and inside is not None and not _leads(resource, one, known, inside, number):
            return False
    return True


def _plainly(resource: Mapping[str, Any], against: Profile) -> bool:
    accepting = acceptor(against)
    return accepting is not None and accepting.is_valid(resource)


def _leads(resource: Mapping[str, Any], against: Profile, known: Known, inside: Inside, number: int) -> bool:
    """Return whether what the resource's references lead to is what its profile asks of it, as far as it is here."""
    for way, targets in linked(against):
        for link in each(resource, *way):
            entry = inside.entry(link.get("reference", ""), number)
            target = inside.resource(entry) if entry is not None else None
            if target is None:
                continue
            if target["resourceType"] not in targets:
                return False
            asked = [one for url in targets[target["resourceType"]] if (one := known.profile(url)) is not None]
            if asked and not any(_plainly(target, one) for one in asked):
                return False
    return True


_NOTHING: dict[str, Any] = {}


def _whole(bundle: Mapping[str, Any]) -> bool:
    """Return whether the Bundle holds together: addresses, requests, and what its urns lead to."""
    if bundle["type"] == "document":
        return False
    refused: list[str] = []

    def say(severity: str, code: str, issue: str, place: Place, sentence: str) -> None:
        if severity == "error":
            refused.append(code)

    root: Place = (None, "Bundle", -1)
    scope = Scope(bundle, bundle)
    entries = bundle.get("entry", ())
    links: list[Link] = []
    if bundle["type"] in _FOLLOWED or any(entry.get("fullUrl", "").startswith("urn:") for entry in entries):
        for number, entry in enumerate(entries):
            if "resource" in entry:
                place: Place = (root, "entry", number)
                found = _urns(entry["resource"], entry["resource"]["resourceType"])
                links += [Link(text, targets, place, scope) for text, targets in found]
    Bundle(dict(bundle), root, links, say).check()
    return not refused


def _urns(node: Mapping[str, Any], name: str) -> Iterator[tuple[str, frozenset[str]]]:
    """Return the urn references below a node, each with the types it may lead to."""
    places = ways(name)
    for key in places.keys() & node.keys():
        nested, targets = places[key]
        value = node[key]
        for one in value if type(value) is list else (value,):
            if nested:
                yield from _urns(one, nested)
            elif (text := one.get("reference", "")).startswith("urn:"):
                yield text, targets


def _whole_number(_value: Any) -> Test:
    """Return the test of `r4-whole`: 5 is a whole number and 5.0 is not (a decimal keeps its digits)."""
    return lambda instance: type(instance) is int


def _plain(value: Any) -> Test:
    """Return the test of `r4-plain`: the walker's own test of a primitive has nothing to say."""
    return _slot(value).plain or (lambda _instance: False)


def _narrative(_value: Any) -> Test:
    """Return the test of `r4-narrative`: the XHTML is what R4 allows."""
    return lambda instance: next(problems(instance), None) is None


def _rules(value: Any) -> Test:
    """Return the test of `r4-rules`: the rules of a type, or of one of its elements, hold."""
    checks = plan(value[0]).checks if len(value) == 1 else _slot(value).checks
    tests = [one[3] for one in checks if one[1] == "error"]

    def hold(instance: Any) -> bool:
        scope = Scope(instance, instance)
        return all(test(instance, scope) is not False for test in tests)

    return hold


def _bound(value: Any) -> Test:
    """Return the test of `r4-bound`: the code is in the value set that its element is bound to."""
    slot = _slot(value)
    binding = slot.bound

    def fits(instance: Any) -> bool:
        refused: list[str] = []
        if binding is not None:
            bound(lambda severity, *_: refused.append(severity), instance, slot, binding, (None, "", -1))
        return "error" not in refused

    return fits


def _slot(value: Any) -> Slot:
    return plan(value[0]).slots[value[1]]


KEYWORDS = {
    "r4-whole": keyword(_whole_number),
    "r4-plain": keyword(_plain),
    "r4-narrative": keyword(_narrative),
    "r4-rules": keyword(_rules),
    "r4-bound": keyword(_bound),
    "r4-rule": keyword(rule),
}


@lru_cache(maxsize=8)
def _validator(known: Known) -> jsonschema_rs.Draft202012Validator:
    return jsonschema_rs.Draft202012Validator(
        subset_schema(known), keywords=KEYWORDS, pattern_options=jsonschema_rs.RegexOptions()
    )
