"""$validate: what R4, a profile, and this service say against a resource; nothing is stored.

Source: HL7 FHIR R4 resource-operation-validate.html. The answer is 200 whenever the check could run.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, read_body
from api.problems import as_fhir
from api.scopes import Letter
from fhirmod.errors import BadParameterError, FhirmodError, Finding, NotSupportedError
from fhirmod.exchange import PUBLISHED_TYPES
from fhirmod.mapping import known_profiles
from fhirmod.r4 import KNOWN_TYPES, Profile, check, dump, parse

from .reaching import looked_up
from .reading import known_type, living, read_only

_MODES = ("create", "update", "delete", "profile")
_LETTERS: dict[str, Letter] = {"create": "c", "update": "u", "delete": "d"}
_NAMES = ("resource", "mode", "profile")
_R4 = "http://hl7.org/fhir/StructureDefinition/"
_NOTHING = Finding("information", "nothing-found", "informational", "", "Nothing was found against it.")


@dataclass
class _Asked:
    """What a client asks: the resource sent (None: the one stored), what is to be done with it, against what."""

    resource: Any = None
    mode: str | None = None
    profiles: list[str] = field(default_factory=list)


async def validate(request: Request, parts: Parts, base: str) -> Response:
    """Check a resource, or Parameters with resource, mode and profile; nothing is stored."""
    type_, id_ = known_type(request), request.path_params.get("id")
    asked = _in_query(request.query_params)
    body = await read_body(request, parts)
    if body or asked.mode not in ("delete", "profile"):
        _add(asked, parse(body), type_)
    if asked.resource is None and not (asked.mode == "delete" or (asked.mode == "profile" and id_)):
        raise BadParameterError("The resource to check must be given: as the body, or as `resource`.", place="resource")
    return as_fhir(200, await run_in_threadpool(_findings, parts, type_, id_, asked))


async def validate_stored(request: Request, parts: Parts, base: str) -> Response:
    """Check the stored resource as it stands, against the profile that is asked for."""
    type_, id_ = known_type(request), str(request.path_params["id"])
    asked = _in_query(request.query_params)
    return as_fhir(200, await run_in_threadpool(_findings, parts, type_, id_, asked))


def _in_query(query: QueryParams) -> _Asked:
    return _Asked(None, query.get("mode"), query.getlist("profile"))


def _add(asked: _Asked, body: Any, type_: str) -> None:
    """Add what a body says: Parameters that carry the question, or the resource itself.

    Errors: BadParameterError if a parameter of the question has no text.
    """
    carries = isinstance(body, Mapping) and body.get("resourceType") == "Parameters"
    listed = body.get("parameter") if carries else None
    named = [one for one in listed if isinstance(one, Mapping)] if isinstance(listed, list) else []
    if not carries or (type_ == "Parameters" and not any(one.get("name") in _NAMES for one in named)):
        asked.resource = body
        return
    for one in named:
        match one.get("name"):
            case "resource":
                asked.resource = one.get("resource")
            case "mode":
                asked.mode = _text(one, "mode")
            case "profile":
                asked.profiles.append(_text(one, "profile"))


def _text(parameter: Mapping[str, Any], name: str) -> str:
    value = next((value for key, value in parameter.items() if key.startswith("value")), None)
    if not isinstance(value, str):
        raise BadParameterError(f"The parameter {name} must have a text as its value; it has none.", place=name)
    return value


def _findings(parts: Parts, type_: str, id_: str | None, asked: _Asked) -> list[Finding]:
    """Return what is to be said, in the order of the document.

    Errors: BadParameterError for a mode that R4 does not have; NotSupportedError for a profile that is not
            carried; NotFoundError or GoneError if the stored resource is asked about and there is none.
    """
    if id_ is None and asked.mode in ("update", "delete"):
        raise BadParameterError(
            f"The mode {asked.mode} is asked of an instance, at Type/id/$validate; here is none.", place="mode"
        )
    if asked.mode is not None and asked.mode not in _MODES:
        said = asked.mode[:20]
        raise BadParameterError(f"The mode must be one of {', '.join(_MODES)}; got {said!r}.", place="mode")
    profiles = [_profile(url) for url in asked.profiles]
    resource = asked.resource
    if resource is None and id_ is not None:
        resource = _stored(parts, type_, id_)
    if asked.mode == "delete" and id_ is not None:
        return _against_writing(parts, type_, id_, asked) or [_NOTHING]
    types = [one for one in profiles if isinstance(one, str)]
    found = check(
        resource,
        type=type_,
        profiles=[one for one in profiles if isinstance(one, Profile)],
        known=known_profiles(),
    )
    found += [_not_a(one, resource, type_) for one in types if one not in (type_, "Resource", "DomainResource")]
    if asked.resource is not None and not any(one.refuses for one in found):
        found += _against_writing(parts, type_, id_, asked)
    return found or [_NOTHING]


def _stored(parts: Parts, type_: str, id_: str) -> Any:
    access = parts.request().access
    version = living(type_, id_, parts.store_of(type_).read(lambda reader: reader.get(access, type_, id_)))
    return parse(version.body or b"")


def _profile(url: str) -> Profile | str:
    """Return a profile that is carried here, or the name of the R4 type whose own definition is meant.

    Errors: NotSupportedError for any other.
    """
    name = url.partition("|")[0].removeprefix(_R4)
    if name in KNOWN_TYPES or name in ("Resource", "DomainResource"):
        return name
    found = known_profiles().profile(url)
    if found is None:
        raise NotSupportedError(
            f"The profile {url[:200]!r} is not known here; R4's own types, its vital-signs profiles and our own are.",
            place="profile",
        )
    return found


def _not_a(wanted: str, resource: Any, type_: str) -> Finding:
    got = resource.get("resourceType") if isinstance(resource, Mapping) else None
    sentence = f"The profile asked for is of {wanted}; got {got if got == type_ else 'another type'}."
    return Finding("error", "wrong-type", "invalid", type_, sentence)


def _against_writing(parts: Parts, type_: str, id_: str | None, asked: _Asked) -> list[Finding]:
    """Return what the one path of every write says against it: the write is tried, and nothing of it kept."""
    if type_ in PUBLISHED_TYPES and asked.mode in ("create", "update", "delete"):
        return [Finding("error", "read-only", "not-supported", type_, read_only(type_))]
    if asked.mode in _LETTERS:
        parts.caller.require([(_LETTERS[asked.mode], type_), *looked_up(asked.resource)])
    text, request = dump(asked.resource), parts.request(dry_run=True)
    try:
        if asked.mode == "create":
            parts.intake.create(request, type_, text)
        elif asked.mode == "update":
            parts.intake.update(request, type_, id_, text)
        elif asked.mode == "delete":
            parts.intake.delete(request, type_, id_)
    except FhirmodError as refused:
        return list(refused.findings)
    return []
