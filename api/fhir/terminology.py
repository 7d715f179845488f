"""Terminology: ValueSet/$expand and $validate-code, CodeSystem/$lookup and $validate-code, ConceptMap/$translate.

They answer for what is published with this software and for R4's own value sets; licensed terminologies are not held.
Source: http://hl7.org/fhir/R4/valueset-operations.html, codesystem-operations.html, conceptmap-operations.html
"""

from collections.abc import Callable, Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError, NotFoundError, NotSupportedError
from fhirmod.exchange import held_terms, published_resources
from fhirmod.r4 import Coded, NotHeldError, dump

from .asked import Kinds, asked_of

Json = dict[str, Any]
_CODED: Kinds = {"code": "code", "system": "uri", "coding": "Coding", "codeableConcept": "CodeableConcept"}
EXPAND: Kinds = {
    "url": "uri",
    "valueSet": "ValueSet",
    "valueSetVersion": "string",
    "filter": "string",
    "offset": "integer",
    "count": "integer",
    "includeDefinition": "boolean",
    # true of every expansion here, asked or not: flat, active, without post-coordination and designations
    "activeOnly": "boolean",
    "excludeNested": "boolean",
    "excludeNotForUI": "boolean",
    "excludePostCoordinated": "boolean",
    "includeDesignations": "boolean",
}
_IN_SET: Kinds = {"url": "uri", "valueSet": "ValueSet", "valueSetVersion": "string", "display": "string", **_CODED}
_IN_SYSTEM: Kinds = {
    "url": "uri", "version": "string", "display": "string",
    **{name: kind for name, kind in _CODED.items() if name != "system"},
}  # fmt: skip
LOOKUP: Kinds = {"code": "code", "system": "uri", "version": "string", "coding": "Coding"}
TRANSLATE: Kinds = {"url": "uri", "conceptMapVersion": "string", "targetsystem": "uri", "reverse": "boolean", **_CODED}
VALIDATE: Mapping[str, Kinds] = {"ValueSet": _IN_SET, "CodeSystem": _IN_SYSTEM}
UNHEARD = {
    "expand": frozenset(
        """
        context contextDirection date designation displayLanguage exclude-system system-version check-system-version
        force-system-version
        """.split()  # noqa: SIM905 - a table reads better
    ),
    "ValueSet": frozenset(("context", "systemVersion", "date", "abstract", "displayLanguage")),
    "CodeSystem": frozenset(("codeSystem", "date", "abstract", "displayLanguage")),
    "lookup": frozenset(("date", "displayLanguage", "property")),
    "translate": frozenset(("conceptMap", "version", "source", "target", "dependency")),
}


async def expand(request: Request, parts: Parts, base: str) -> Response:
    """Give the codes of a value set, those that a text is in, page by page."""
    asked = await asked_of(request, parts, EXPAND, UNHEARD["expand"])
    when, name = parts.clock.now().isoformat(timespec="seconds"), f"urn:uuid:{parts.clock.new_id()}"
    return await _answered(lambda: _expanded(request, asked, when, name))


async def validate_in_set(request: Request, parts: Parts, base: str) -> Response:
    """Say whether a code is in a value set, and its display."""
    asked = await asked_of(request, parts, VALIDATE["ValueSet"], UNHEARD["ValueSet"])
    return await _answered(lambda: _judged(request, asked, "ValueSet"))


async def validate_in_system(request: Request, parts: Parts, base: str) -> Response:
    """Say whether a code is of a code system, and its display."""
    asked = await asked_of(request, parts, VALIDATE["CodeSystem"], UNHEARD["CodeSystem"])
    return await _answered(lambda: _judged(request, asked, "CodeSystem"))


async def lookup(request: Request, parts: Parts, base: str) -> Response:
    """Give the display and the properties of a code."""
    asked = await asked_of(request, parts, LOOKUP, UNHEARD["lookup"])
    return await _answered(lambda: _looked_up(asked))


async def translate(request: Request, parts: Parts, base: str) -> Response:
    """Give what a code is called in other code systems, by our concept maps."""
    asked = await asked_of(request, parts, TRANSLATE, UNHEARD["translate"])
    return await _answered(lambda: _translated(request, asked))


async def _answered(make: Callable[[], Json]) -> Response:
    try:
        made = await run_in_threadpool(make)
    except NotHeldError as wanted:
        raise NotSupportedError(
            f"This cannot be told without {str(wanted)[:200]}, whose content is not held here; "
            "ask a terminology service."
        ) from None
    return Response(dump(made), media_type=FHIR_JSON)


def _held(request: Request, type_: str, asked: Mapping[str, Any], version: str) -> Json:
    """Return the resource that is asked about: named by its id, by its url, or sent along.

    Errors: NotFoundError if it is not held; BadParameterError if none is named, or several are.
    """
    id_, url, sent = request.path_params.get("id"), asked.get("url"), asked.get("valueSet")
    if sum(one is not None for one in (id_, url, sent)) != 1:
        raise BadParameterError(f"A {type_} is named once: by its id, by url, or sent as a parameter.", place="url")
    if sent is not None:
        return dict(sent)
    if id_ is not None:
        found = next((one for one in published_resources() if (one["resourceType"], one["id"]) == (type_, id_)), None)
    else:
        bare, _, of = str(url).partition("|")
        found = _by_url(type_).get(bare)
        if found is not None and of not in ("", found.get("version")):
            found = None
    if found is None or asked.get(version, found.get("version")) != found.get("version"):
        said = f"the id {str(id_)[:64]!r}" if id_ is not None else f"the url {str(url)[:200]!r}"
        raise NotFoundError(f"There is no {type_} of {said} here in this version; ours and R4's own are.", place=type_)
    return dict(found)


def _by_url(type_: str) -> Mapping[str, Any]:
    terms = held_terms()
    if type_ == "CodeSystem":
        return terms.code_systems
    return terms.value_sets if type_ == "ValueSet" else terms.maps


def _expanded(request: Request, asked: Mapping[str, Any], when: str, name: str) -> Json:
    value_set = _held(request, "ValueSet", asked, "valueSetVersion")
    found = held_terms().expand(value_set)
    text = asked.get("filter", "").casefold()
    found = [one for one in found if text in one.display.casefold() or text in one.code.casefold()]
    offset, count = asked.get("offset", 0), asked.get("count")
    said = [{"name": key, f"value{kind}": asked[key]} for key, kind in _SAID.items() if key in asked]
    expansion: Json = {"identifier": name, "timestamp": when, "total": len(found)}
    if "offset" in asked or count is not None:
        expansion["offset"] = offset
    if said:
        expansion["parameter"] = said
    page = found[offset:] if count is None else found[offset : offset + count]
    if page:
        expansion["contains"] = [one.coding() for one in page]
    left_out = () if asked.get("includeDefinition") else ("compose",)
    head = {key: value for key, value in value_set.items() if key not in ("text", "expansion", *left_out)}
    return {**head, "expansion": expansion}


_SAID = {"filter": "String", "offset": "Integer", "count": "Integer", "includeDefinition": "Boolean"}


def _codes(asked: Mapping[str, Any], system: str | None = None) -> list[tuple[str, str, str]]:
    """Return the (system, code, display) that are asked about: one, or each coding of a concept.

    Errors: BadParameterError if none is, several are, or a system or code is missing.
    """
    given = [name for name in ("code", "coding", "codeableConcept") if name in asked]
    if len(given) != 1:
        raise BadParameterError("One of code, coding and codeableConcept is asked about; give one.", place="code")
    if given == ["code"]:
        codings = [{"system": asked.get("system"), "code": asked["code"], "display": asked.get("display", "")}]
    else:
        codings = [asked["coding"]] if given == ["coding"] else asked["codeableConcept"].get("coding", [])
    found = [(one.get("system") or system, one.get("code"), one.get("display", "")) for one in codings]
    if not found or not all(of and code for of, code, _ in found):
        raise BadParameterError("A code is asked about with its system; one of the two is missing.", place=given[0])
    return [(str(of), str(code), str(display)) for of, code, display in found]


def _judged(request: Request, asked: Mapping[str, Any], type_: str) -> Json:
    version = {"ValueSet": "valueSetVersion", "CodeSystem": "version"}[type_]
    coding = asked.get("coding", {}) if type_ == "CodeSystem" and "id" not in request.path_params else {}
    named = {"url": coding["system"]} if "url" not in asked and coding.get("system") else {}
    held = _held(request, type_, {**named, **asked}, version)
    terms, wrong = held_terms(), []
    own = held["url"] if type_ == "CodeSystem" else None
    for system, code, display in _codes(asked, own):
        if own is not None:
            found = terms.find(system, code) if system == own else None
        else:
            found = terms.member(held, system, code)
        if found is None:
            wrong.append(f"The code {code[:64]} of {system[:200]} is not in {held.get('url', 'the ValueSet')[:200]}.")
        elif display and found.display and display.casefold() != found.display.casefold():
            wrong.append(f"The display of {code[:64]} is {found.display!r}; got another one.")
        else:
            return _verdict(said=True, display=found.display)
        if found is not None:
            return _verdict(said=False, message=wrong[-1], display=found.display)
    return _verdict(said=False, message=" ".join(wrong))


def _verdict(*, said: bool, message: str = "", display: str = "") -> Json:
    listed: list[Json] = [{"name": "result", "valueBoolean": said}]
    listed += [
        {"name": name, "valueString": text} for name, text in (("message", message), ("display", display)) if text
    ]
    return {"resourceType": "Parameters", "parameter": listed}


def _looked_up(asked: Mapping[str, Any]) -> Json:
    if ("coding" in asked) == ("code" in asked):
        raise BadParameterError("A code with its system, or a coding, is looked up; give one of them.", place="code")
    [(system, code, _)] = _codes(asked)
    terms = held_terms()
    held = terms.system(system)
    if held is not None and asked.get("version", held.resource.get("version")) != held.resource.get("version"):
        raise NotFoundError(f"The code system {system[:200]!r} is not here in this version.", place="version")
    found = terms.find(system, code)
    if found is None:
        raise NotFoundError(f"The code {code[:64]!r} is not in {system[:200]!r}.", place="code")
    resource = held.resource if held is not None else {}
    listed: list[Json] = [{"name": "name", "valueString": resource.get("name", system)}]
    if "version" in resource:
        listed.append({"name": "version", "valueString": resource["version"]})
    listed.append({"name": "display", "valueString": found.display or found.code})
    concept = held.find(code) if held is not None else None
    listed += [_property(one) for one in (concept or {}).get("property", ())]
    listed += [_property({"code": "child", "valueCode": one["code"]}) for one in (concept or {}).get("concept", ())]
    return {"resourceType": "Parameters", "parameter": listed}


def _property(one: Mapping[str, Any]) -> Json:
    key = next(key for key in one if key.startswith("value"))
    return {"name": "property", "part": [{"name": "code", "valueCode": one["code"]}, {"name": "value", key: one[key]}]}


def _translated(request: Request, asked: Mapping[str, Any]) -> Json:
    terms = held_terms()
    maps: list[Mapping[str, Any]]
    if "url" in asked or "id" in request.path_params:
        maps = [_held(request, "ConceptMap", asked, "conceptMapVersion")]
    else:
        maps = list(terms.maps.values())
    reverse, target = asked.get("reverse", False), asked.get("targetsystem")
    found = [
        match
        for system, code, _ in _codes(asked)
        for match in terms.translate(Coded(system, code), maps, target, reverse=reverse)
    ]
    means = [one for one in found if one.equivalence not in ("unmatched", "disjoint")]
    listed: list[Json] = [{"name": "result", "valueBoolean": bool(means)}]
    if not means:
        listed.append({"name": "message", "valueString": "No concept map here translates this code so."})
    for one in found:
        told: list[Json] = [{"name": "equivalence", "valueCode": one.equivalence}]
        told += [{"name": "concept", "valueCoding": one.coded.coding()}, {"name": "source", "valueUri": one.map}]
        listed.append({"name": "match", "part": told})
    return {"resourceType": "Parameters", "parameter": listed}
