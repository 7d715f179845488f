"""$validate: what R4 (and a profile) says against a resource, without storing it.

Source: HL7 FHIR R4 resource-operation-validate.html. The answer is 200 whenever the check could run.
"""

from collections.abc import Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, read_body
from api.problems import as_fhir
from fhirmod.errors import BadParameterError, Finding, NotSupportedError
from fhirmod.mapping import is_derived
from fhirmod.r4 import Profile, check, parse, profile

from .reading import known_type, living

_MODES = ("create", "update", "delete", "profile")
_NOTHING = Finding("information", "nothing-found", "informational", "", "Nothing was found against it.")


async def validate(request: Request, parts: Parts, base: str) -> Response:
    """Check a resource, or Parameters with resource, mode and profile; nothing is stored."""
    type_, id_ = known_type(request), request.path_params.get("id")
    body = parse(await read_body(request, parts))
    resource, mode, urls = _asked(body, request.query_params)
    profiles = [_profile(url) for url in urls]
    return as_fhir(200, await run_in_threadpool(_findings, resource, type_, id_, mode, profiles))


async def validate_stored(request: Request, parts: Parts, base: str) -> Response:
    """Check the stored resource as it stands, against the profile that is asked for."""
    type_, id_ = known_type(request), str(request.path_params["id"])
    urls = [value for name, value in request.query_params.multi_items() if name == "profile"]
    profiles = [_profile(url) for url in urls]
    access = parts.request().access
    version = await run_in_threadpool(parts.intake.store.read, lambda reader: reader.get(access, type_, id_))
    body = living(type_, id_, version).body
    found = await run_in_threadpool(_findings, parse(body or b"{}"), type_, id_, None, profiles)
    return as_fhir(200, found)


def _asked(body: Any, query: Mapping[str, str]) -> tuple[Any, str | None, list[str]]:
    """Return the resource to check, the mode, and the profiles asked for.

    Errors: BadParameterError for a mode that R4 does not have, or Parameters without a resource.
    """
    mode, urls, resource = query.get("mode"), [query["profile"]] if "profile" in query else [], body
    if isinstance(body, Mapping) and body.get("resourceType") == "Parameters" and _wraps(body):
        resource = None
        for one in body["parameter"]:
            match one:
                case {"name": "resource", "resource": found}:
                    resource = found
                case {"name": "mode", "valueCode": found}:
                    mode = found
                case {"name": "profile", "valueUri": found} | {"name": "profile", "valueCanonical": found}:
                    urls.append(found)
    if mode is not None and mode not in _MODES:
        raise BadParameterError(f"The mode must be one of {', '.join(_MODES)}; got {str(mode)[:20]!r}.", place="mode")
    if resource is None and mode != "delete":
        raise BadParameterError("The Parameters must carry the resource to check in `resource`.", place="resource")
    return resource, mode, urls


def _wraps(body: Mapping[str, Any]) -> bool:
    listed = body.get("parameter")
    named = {"resource", "mode", "profile"}
    return isinstance(listed, list) and any(isinstance(one, dict) and one.get("name") in named for one in listed)


def _profile(url: str) -> Profile:
    """Return a profile that is carried here.

    Errors: NotSupportedError for any other.
    """
    found = profile(str(url))
    if found is None:
        raise NotSupportedError(
            f"The profile {str(url)[:200]!r} is not known here; R4's own vital-signs profiles are.", place="profile"
        )
    return found


def _findings(resource: Any, type_: str, id_: str | None, mode: str | None, profiles: list[Profile]) -> list[Finding]:
    if mode == "delete":
        sentence = "This service deletes nothing for a client; an entry is taken back by a retraction."
        return [Finding("error", "no-deletion", "not-supported", type_, sentence)]
    found = check(resource, type=type_, profiles=profiles)
    if isinstance(resource, Mapping):
        found += _against_mode(resource, type_, id_, mode)
    return found or [_NOTHING]


def _against_mode(resource: Mapping[str, Any], type_: str, id_: str | None, mode: str | None) -> list[Finding]:
    """Return what stands against creating or updating it here, whatever its content."""
    found = []
    if (mode == "update" or (id_ is not None and mode is None)) and resource.get("id") != (
        id_ or resource.get("id", "")
    ):
        sentence = "An update needs the resource's own id, that of the address if there is one."
        found.append(Finding("error", "id-differs", "invalid", f"{type_}.id", sentence))
    if mode in ("create", "update") and is_derived(resource):
        sentence = "A computed value is not taken; post the entry that changes it."
        found.append(Finding("error", "computed", "business-rule", type_, sentence))
    return found
