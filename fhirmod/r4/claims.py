"""Which profiles a resource is held to: those it claims in `meta.profile`, and R4's own that its code calls for.

Source: http://hl7.org/fhir/R4/resource-definitions.html#Meta.profile
"""

from collections.abc import Iterator, Mapping
from typing import Any

from fhirmod.errors import Finding

from .conform import Around, check_profile
from .facts import known_types
from .invariants import Scope
from .known import by_code
from .places import Place, written
from .profiles import TYPES, Profile


def check_claims(resource: Mapping[str, Any], place: Place, around: Around, scope: Scope) -> list[Finding]:
    """Return what a resource lacks of known profiles, as errors if claimed, as warnings if its code asks.

    Source: http://hl7.org/fhir/R4/observation-vitalsigns.html (whoever records these codes shall conform).
    """
    found: list[Finding] = []
    meta = resource.get("meta")
    claimed = [url for url in meta.get("profile", ()) if isinstance(url, str)] if isinstance(meta, dict) else []
    done = set()
    for url in claimed:
        one = around.known.profile(url)
        if (other := of_another_type(url, one, str(resource.get("resourceType")))) is not None:
            sentence = f"The resource claims a profile of {other}; wanted one of its own type."
            found.append(Finding("error", "profile-of-another-type", "structure", written(place), sentence))
        if one is None or other is not None:
            continue
        done.add(one.url)
        found += check_profile(resource, one, place=place, around=around, scope=scope)
    for url in asked(resource):
        one = around.known.profile(url)
        if one is not None and one.url not in done:
            found += check_profile(resource, one, place=place, around=around, severity="warning", scope=scope)
    return found


def of_another_type(url: str, found: Profile | None, kind: str) -> str | None:
    """Return the type that a claimed profile, or one of R4's definitions of types, is of, if not of this type."""
    if found is not None:
        return None if found.constrains(kind) else found.type
    named = url.partition("|")[0].removeprefix(TYPES)
    return named if named in known_types() and named != kind else None


def asked(resource: Mapping[str, Any]) -> Iterator[str]:
    """Return which of R4's profiles a resource's code calls for."""
    code, kind = resource.get("code"), str(resource.get("resourceType"))
    codings = code.get("coding") if isinstance(code, dict) else None
    for one in codings if isinstance(codings, list) else ():
        if isinstance(one, dict):
            url = by_code().get((kind, str(one.get("system")), str(one.get("code"))))
            if url:
                yield url
