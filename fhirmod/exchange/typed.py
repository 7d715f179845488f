"""The typed door for Python users: FHIR R4 resources as `fhir.resources` models (R4B), and back without loss.

Needs the extra `fhirmod[typed]`. That package is the door, never the judge: it lets invalid R4 pass and refuses some
that is valid (`REFUSED` lists it), so what goes in is checked by our own engine first. Its own dump loses digits and
rewrites times; `from_typed` reads the models themselves.
"""

import base64
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from typing import TYPE_CHECKING, Any, cast

from fhirmod.errors import InvalidError, NotSupportedError
from fhirmod.r4 import check, parse

if TYPE_CHECKING:
    from fhir.resources.R4B.fhirresourcemodel import FHIRResourceModel
else:
    FHIRResourceModel = object

_ABSENT_TIMES = {"MedicationAdministration": "_effectiveDateTime", "Immunization": "_occurrenceDateTime"}


def _absent(node: Mapping[str, Any]) -> bool:
    return any(name.startswith("_value") and name[1:] not in node for name in node)


REFUSED: tuple[tuple[str, Callable[[Mapping[str, Any]], bool]], ...] = (
    (
        "the only time of a MedicationAdministration or Immunization is the reason that it is absent",
        lambda node: _ABSENT_TIMES.get(str(node.get("resourceType")), "") in node,
    ),
    ("the value of an extension is only the reason that it is absent", lambda node: "url" in node and _absent(node)),
    ("the value of a Task's input or output is only the reason that it is absent", _absent),
    ("an extension's value is a Meta", lambda node: "valueMeta" in node),
    ("a resource's id, or an extension's url, carries an extension", lambda node: "_id" in node or "_url" in node),
)


def to_typed(resource: Mapping[str, Any] | bytes) -> FHIRResourceModel:
    """Return the model of a resource or Bundle; decimals keep their digits.

    Errors: InvalidError with all findings if it is not valid R4; NotSupportedError if it is valid, but of the kinds
            that the models refuse, or if the extra is not installed.
    """
    read: Any = parse(resource) if isinstance(resource, bytes) else resource
    wrong = tuple(one for one in check(read) if one.refuses)
    if wrong:
        raise InvalidError("The resource is not valid FHIR R4.", findings=wrong)
    try:
        from fhir.resources.R4B import get_fhir_model_class  # noqa: PLC0415 - an extra, and half a second to load
    except ImportError:
        raise NotSupportedError("The typed door needs fhir.resources; install fhirmod[typed].") from None
    try:
        model: Any = get_fhir_model_class(read["resourceType"]).model_validate(read)
    except (ValueError, KeyError):
        reasons = "; ".join(dict.fromkeys(refusals(read))) or "for a reason not known here"
        raise NotSupportedError(
            f"The {read['resourceType']} is valid R4 but fhir.resources refuses it: {reasons}."
        ) from None
    return cast("FHIRResourceModel", model)


def from_typed(model: FHIRResourceModel, original: Mapping[str, Any] | bytes | None = None) -> dict[str, Any]:
    """Return the resource that a model says, as plain JSON values; decimals keep their digits.

    Shape: times are written with their offset as Python writes it; with `original`, what a model was made from, each
           value that was not changed stands as it was written there, and names keep their order.
    """
    before = parse(original) if isinstance(original, bytes) else original
    plain: dict[str, Any] = _plain(model, before)
    return plain


def refusals(value: Any) -> Iterator[str]:
    """Return why the models refuse what is inside a valid resource, as far as it is known."""
    if isinstance(value, Mapping):
        yield from (why for why, holds in REFUSED if holds(value))
        for item in value.values():
            yield from refusals(item)
    elif isinstance(value, list):
        for item in value:
            yield from refusals(item)


def _plain(value: Any, before: Any) -> Any:
    """Return a value of a model as JSON; `before` is what stood at its place in the original, if anything did."""
    if hasattr(value, "elements_sequence"):
        return _object(value, before)
    if isinstance(value, list):
        old = before if isinstance(before, list) else []
        return [_plain(item, old[at] if at < len(old) else None) for at, item in enumerate(value)]
    if isinstance(value, datetime | date | time):
        return _moment(value, before)
    if value is None or isinstance(value, bool | int | Decimal):
        return value
    if isinstance(value, bytes):  # base64Binary, which the models hold decoded
        same = isinstance(before, str) and base64.b64decode(before) == value
        return before if same else base64.b64encode(value).decode()
    return str(value)


def _object(model: Any, before: Any) -> dict[str, Any]:
    old = before if isinstance(before, Mapping) else {}
    found: dict[str, Any] = {}
    if hasattr(model, "meta") and hasattr(model, "implicitRules"):
        found["resourceType"] = model.get_resource_type()
    for name, info in type(model).model_fields.items():
        item = getattr(model, name)
        if item is not None and name != "fhir_comments":
            key = info.alias or name
            found[key] = _plain(item, old.get(key))
    return {key: found[key] for key in old if key in found} | found


def _moment(value: datetime | date | time, before: Any) -> str:
    if isinstance(before, str):
        try:
            same = type(value).fromisoformat(before) == value
        except ValueError:
            same = False
        if same:
            return before
    return value.isoformat()
