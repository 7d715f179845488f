"""The check of one document against R4: structure, grammars, bindings, invariants, links, Bundles."""

from typing import Any

from fhirmod.errors import Finding

from .walk import Walk


def check(resource: Any, *, type: str | None = None) -> list[Finding]:  # noqa: A002 - R4's own word
    """Return everything R4 says against a parsed resource or Bundle, in document order; empty is valid.

    Shape: places start at the resource itself (`Bundle.entry[3].resource.status`). `type` is what the
           caller expects it to be. Types of R4 whose definitions are not carried get a warning and the
           checks common to all. Profiles are not checked here.
    """
    walk = Walk()
    kind = resource.get("resourceType") if isinstance(resource, dict) else None
    root = (None, kind if isinstance(kind, str) and kind.isidentifier() else "Resource", -1)
    if type is not None and kind is not None and kind != type:
        walk.error("wrong-type", "invalid", root, f"The resource is {root[1][:64]}; wanted {type}.")
    try:
        walk.resource(resource, root)
    except RecursionError:
        walk.error(
            "too-deep", "too-long", root, "The resource nests too deep to check; wanted at most 64 levels."
        )
    return walk.finish()
