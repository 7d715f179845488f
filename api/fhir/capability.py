"""What this service does, as a CapabilityStatement made from the table of interactions."""

from functools import lru_cache
from hashlib import sha256
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, choice
from api.problems import FHIR_JSON
from fhirmod import __version__
from fhirmod.exchange import PUBLISHED_TYPES, held_terms
from fhirmod.mapping import searches
from fhirmod.r4 import RESOURCE_TYPES, compartments, dump

from .headers import tags
from .including import bringing, included_by
from .table import INTERACTIONS, Interaction
from .terminology import EXPAND
from .understanding import searchable

_ABOUT = {
    "status": "active",
    "date": "2026-11-25",
    "kind": "instance",
    "software": {"name": "fhirmod", "version": __version__},
}
_HL7 = "http://hl7.org/fhir/"
_RECORD = "The record of uterine balloon tamponades"
_VERSIONED = {
    "versioning": "versioned-update",
    "readHistory": True,
    "updateCreate": True,
    "conditionalRead": "full-support",
    "referencePolicy": ["literal", "logical", "local"],
}
_PUBLISHED = {
    "documentation": "Ours, published with this software and only read; they are in no history but that of their type.",
    "versioning": "versioned",
    "readHistory": True,
    "updateCreate": False,
    "conditionalRead": "not-supported",
}
_SAID = (
    "A search is of one type, or of one type in a compartment. "
    "An instant needs an offset; a date of _at or of a search without one is read in UTC; what is above (below) a date "
    "begins where its range ends (starts). Searches take the prefixes "
    "of dates, numbers and quantities, and the modifiers :missing, :not (token), :text (what a "
    "concept, a code or the type of an identifier is called; not _tag, _security), :of-type (identifier), :exact and "
    ":contains (string), "
    ":identifier and :[type] (reference); texts are compared by their first 400 characters, units as they were sent. "
    "The two values of a composite are compared by 150 characters each. _include and _revinclude bring along at most "
    "1,000 resources, :iterate goes ten steps. Chains and _has follow at most three "
    "references; a chain that names no type goes to each type that has what it ends with; the chains of a search end "
    "in at most 100 types and alternatives. Without _total matches are counted only "
    "where that is cheap (up to 1,000). What a lenient search does not apply is named by an OperationOutcome on each "
    "page (search.mode outcome). _sort takes five parameters; "
    "times and quantities are sorted by where their ranges begin, whatever the unit, and what has no value comes last. "
    "The condition of a conditional create, update, patch, delete or reference takes any parameters of its type but no "
    "chain and no _has; what is not known there is refused. What is assembled or computed from entries is read-only. "
    "A patch that changes data and not text takes a generated narrative away, and is refused where the narrative "
    "says more. A parameter without a value is refused, though R4 has it ignored: what was to narrow a search to one "
    "woman would give all. A Binary is taken as a resource, and given as its content to "
    "who wants that media type more than JSON. "
    "Deleting the image of an entry retracts the entry. A resource that says who or where is not deleted while others "
    "refer to it. A conditional update that matches nothing creates; under an id that is in use it is a conflict. "
    "_summary and _elements are applied to reads, searches and histories; what they give is not taken back. In a "
    "transaction: reads, searches, histories and writes, no operations. $everything of a Patient covers all Patients "
    "that are the same woman, and Devices and Tasks that name her; it leaves out the record of anybody else that is "
    "referred to. Dates of start and end are read in UTC; what states no date of care is always in it. "
    "$document takes no graph, stores by POST only, and makes no document that lacks what its Composition names."
)


_SECURITY = {
    "service": [
        {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/restful-security-service", "code": "OAuth"}]}
    ],
    "description": (
        "Every request but this one brings a bearer token (JWT) of the service's issuer. Scopes are those of SMART App "
        "Launch 2 with system/ or user/ (read, write and * of its first version too): c create, r read, vread and "
        "history of an instance, u update and patch, d delete, s search and history of a type or, for every type, of "
        "all. A condition and a conditional reference need s as well. Scopes of patient/, and scopes with a condition, "
        "grant nothing yet. A resource outside the patient compartment (Organization, Practitioner, Location, Device, "
        "Task, or a conformance resource) needs the scope of its type like any other; none is open. What a search "
        "reaches beyond its type (chains, _has, _include, _revinclude) needs the scopes of those types. Without r the "
        "answer to a write carries no resource. Entries of a batch are judged each; one of a transaction refuses it. "
        "$everything gives only what is of types with r and says so; a type that _type names without r is refused. "
        "$document needs r of each type that it carries, $episode of each that it is read from. Tokens are issued "
        "elsewhere; there is no .well-known/smart-configuration, which must name the token endpoint of an issuer that "
        "this service knows by name and keys only."
    ),
}


async def metadata(request: Request, parts: Parts, base: str) -> Response:
    """Say what this service does; with mode=terminology, which code systems it holds and how it answers for them.

    Source: http://hl7.org/fhir/R4/http.html#capabilities (what is normative is not told apart: a server may do so)
    """
    query, settings = request.query_params, parts.settings
    mode = choice(query, "mode", ("full", "normative", "terminology"))
    cors = bool(settings.open_to)
    told = terms(base) if mode == "terminology" else statement(base, secured=settings.asks_tokens, cors=cors)
    text = dump(told)
    tag = sha256(text).hexdigest()[:16]
    headers = {"ETag": f'W/"{tag}"'}
    if tag in tags(request.headers.get("if-none-match", "")):
        return Response(None, 304, headers)
    return Response(text, 200, headers, FHIR_JSON)


@lru_cache(maxsize=16)
def statement(base: str, *, secured: bool = False, cors: bool = True) -> dict[str, Any]:
    """Return the CapabilityStatement of the service at this base URL; `secured` is whether it asks for tokens."""
    return {
        "resourceType": "CapabilityStatement",
        **_ABOUT,
        "implementation": {"description": _RECORD, "url": base},
        "fhirVersion": "4.0.1",
        "format": ["json", "application/fhir+json"],
        "patchFormat": ["application/json-patch+json", "application/fhir+json"],
        "rest": [
            {
                "mode": "server",
                "documentation": _SAID,
                "security": {"cors": cors, **(_SECURITY if secured else {})},
                "resource": [_resource(type_) for type_ in sorted(RESOURCE_TYPES)],
                "interaction": [{"code": one.code} for one in _of("system")],
                "compartment": [f"{_HL7}CompartmentDefinition/{one.lower()}" for one in sorted(compartments())],
            }
        ],
    }


@lru_cache(maxsize=16)
def terms(base: str) -> dict[str, Any]:
    """Return the TerminologyCapabilities of the service at this base URL: the systems that it holds whole.

    Source: http://hl7.org/fhir/R4/terminologycapabilities.html
    """
    held = held_terms()
    whole = [held.code_systems[url] for url in sorted(held.code_systems) if (own := held.system(url)) and own.whole]
    return {
        "resourceType": "TerminologyCapabilities",
        **_ABOUT,
        "implementation": {"description": _RECORD, "url": base},
        "codeSystem": [
            {"uri": one["url"]}
            | ({"version": [{"code": one["version"], "isDefault": True}]} if "version" in one else {})
            for one in whole
        ],
        "expansion": {
            "hierarchical": False,
            "paging": True,
            "incomplete": False,
            "parameter": [{"name": name} for name in sorted(EXPAND)],
            "textFilter": "A text, whatever its case, that stands in the code or the display.",
        },
        "validateCode": {"translations": False},
        "translation": {"needsMap": True},
    }


def _resource(type_: str) -> dict[str, Any]:
    shown = type_ in PUBLISHED_TYPES
    codes = dict.fromkeys(one.code for one in _of("type") if not shown or one.scope == "read")
    interactions = [{"code": code} for code in codes]
    resource: dict[str, Any] = {"type": type_, "interaction": interactions, **(_PUBLISHED if shown else _VERSIONED)}
    resource |= {"conditionalCreate": not shown, "conditionalUpdate": not shown}
    resource["conditionalDelete"] = "not-supported" if shown else "single"
    if not shown:
        resource |= {"searchInclude": list(included_by(type_)), "searchRevInclude": list(bringing(type_))}
        resource = {name: value for name, value in resource.items() if value != []}
    resource["searchParam"] = [_parameter(type_, name) for name in searchable(type_)]
    offered = {one.code: one.definition for one in INTERACTIONS if one.offered_by(type_)}
    resource["operation"] = [{"name": code, "definition": definition} for code, definition in offered.items()]
    return resource


def _of(level: str) -> list[Interaction]:
    """Return the rows of a level that a client is told of; that the statement itself can be had goes without saying."""
    return [one for one in INTERACTIONS if one.level == level and one.scope != "open"]


def _parameter(type_: str, name: str) -> dict[str, Any]:
    if name == "_id":
        return {"name": "_id", "definition": "http://hl7.org/fhir/SearchParameter/Resource-id", "type": "token"}
    found = searches(type_)[name]
    return {"name": name, "definition": found.url, "type": found.type}
