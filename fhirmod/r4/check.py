"""The check of one document against R4: structure, grammars, bindings, invariants, links, Bundles."""

from collections.abc import Iterable
from typing import Any

from fhirmod.errors import Finding

from .claims import of_another_type
from .conform import Around, check_profile
from .inside import Inside
from .known import R4, Known
from .places import Place, written
from .profiles import Profile
from .walk import Walk


def check(
    resource: Any,
    *,
    type: str | None = None,
    profiles: Iterable[Profile] = (),
    known: Known = R4,
) -> list[Finding]:
    """Return everything R4 says against a parsed resource or Bundle, in document order; empty is valid.

    Shape: places start at the resource itself (`Bundle.entry[3].resource.status`). `type` is what the
           caller expects it to be; `profiles` are further demands on the resource itself. Profiles that are
           `known` are checked where they are claimed, R4's own as warnings where a code asks for them;
           known extensions wherever they stand. Types of R4 whose definitions are not carried get a warning
           and the checks common to all.
    Errors: InvalidError if a definition that is known and needed here cannot be read.
    """
    around = Around(known, Inside(resource))
    walk = Walk(around)
    kind = resource.get("resourceType") if isinstance(resource, dict) else None
    root: Place = (None, kind if isinstance(kind, str) and kind.isidentifier() else "Resource", -1)
    if type is not None and kind is not None and kind != type:
        walk.error("wrong-type", "invalid", root, f"The resource is {root[1][:64]}; wanted {type}.")
    try:
        walk.resource(resource, root)
    except RecursionError:
        walk.error("too-deep", "too-long", root, "The resource nests too deep to check; wanted at most 64 levels.")
    findings = walk.finish()
    for one in profiles if isinstance(resource, dict) and not any(f.refuses for f in findings) else ():
        if (other := of_another_type(one.url, one, root[1])) is not None:
            sentence = f"The profile asked for is one of {other}; wanted one of {root[1]}."
            findings.append(Finding("error", "profile-of-another-type", "structure", written(root), sentence))
            continue
        findings += check_profile(resource, one, place=root, around=around)
    return list(dict.fromkeys(findings))  # what is claimed and asked for is said once
