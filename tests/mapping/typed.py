"""Loading a resource of ours in fhir.resources (its R4B models, the nearest it has to R4), and what it refuses of R4.

`REFUSED` is the whole list: valid R4 that the library does not take, with the reason. What is listed must be refused,
so that the list shrinks when the library learns it.
"""

from collections.abc import Callable, Mapping
from copy import deepcopy
from typing import Any

from fhir.resources.R4B import get_fhir_model_class

Resource = Mapping[str, Any]


def _only_time_is_absent(resource: Resource) -> bool:
    times = ("effectiveDateTime", "effectivePeriod")
    return (
        resource["resourceType"] == "MedicationAdministration"
        and "_effectiveDateTime" in resource
        and not any(name in resource for name in times)
    )


# fhir.resources 8.3.0. R4 (json.html#primitive) lets an extension stand in place of a primitive's value, required or not.
REFUSED: dict[str, Callable[[Resource], bool]] = {
    "a required time that is not known: it wants a value, not the reason that there is none": _only_time_is_absent,
}


def refused(resource: Resource) -> str | None:
    """Return why the library refuses a resource, by the list, or None if it must take it."""
    return next((why for why, is_it in REFUSED.items() if is_it(resource)), None)


def loads(resource: Resource) -> bool:
    """Return whether the library takes a resource.

    Errors: whatever the library raises for one that is not on the list.
    """
    model = get_fhir_model_class(resource["resourceType"])
    if refused(resource) is None:
        model.model_validate(deepcopy(dict(resource)))
        return True
    try:
        model.model_validate(deepcopy(dict(resource)))
    except ValueError:
        return False
    return True
