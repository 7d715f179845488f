"""What an operation is asked: its parameters from the address and from a Parameters resource, by R4's definition of it.

Source: http://hl7.org/fhir/R4/operations.html#extensions (a GET takes simple values only; nothing is asked twice).
"""

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request

from api.asking import Parts, number, read_body, truth
from fhirmod.errors import BadParameterError, InvalidError, NotSupportedError
from fhirmod.r4 import parse, refusals

from .reading import CONTROL

Kinds = Mapping[str, str]  # parameter -> the type of its value, as R4's definition of the operation names it; * is many
_MOST = 1_000_000_000


async def asked_of(request: Request, parts: Parts, kinds: Kinds, unheard: frozenset[str]) -> dict[str, Any]:
    """Return the parameters by name, each as what its type is in JSON; one that may be many as a list.

    Shape:  `kinds` are those that are applied; `unheard` those of R4's that are not, which is said rather than ignored.
            What may be many may stand behind commas in the address.
    Errors: BadParameterError for one that is not of the operation, is given twice or is of another type; InvalidError
            if the body is no valid Parameters; NotSupportedError for one that is not applied.
    """
    found: dict[str, Any] = {}
    for name, text in request.query_params.multi_items():
        if name not in CONTROL:
            _admit(found, name, kinds, unheard)
            for one in text.split(",") if kinds[name].endswith("*") else [text]:
                _add(found, name, kinds, _read(one.strip(), name, kinds[name].rstrip("*")))
    if request.method == "POST" and (body := await read_body(request, parts)):
        document = parse(body)
        if not isinstance(document, dict) or document.get("resourceType") != "Parameters":
            raise InvalidError("The body must be a Parameters resource.", place="resourceType")
        wrong = tuple(refusals(document))
        if wrong:
            raise InvalidError("The Parameters are not valid FHIR R4.", findings=wrong)
        for one in document.get("parameter", ()):
            name = one["name"]
            _admit(found, name, kinds, unheard)
            _add(found, name, kinds, _value(one, name, kinds[name].rstrip("*")))
    return found


def _add(found: dict[str, Any], name: str, kinds: Kinds, value: Any) -> None:
    if kinds[name].endswith("*"):
        found.setdefault(name, []).append(value)
    else:
        found[name] = value


def _admit(found: Mapping[str, Any], name: str, kinds: Kinds, unheard: frozenset[str]) -> None:
    said = name[:40]
    if name in unheard:
        raise NotSupportedError(f"The parameter {said} is not applied here; leave it out.", place=said)
    if name not in kinds:
        raise BadParameterError(
            f"There is no parameter {said!r} here; there are: {', '.join(sorted(kinds))}.", place=said
        )
    if name in found and not kinds[name].endswith("*"):
        raise BadParameterError(f"The parameter {said} was given more than once; once is enough.", place=said)


def _read(text: str, name: str, kind: str) -> Any:
    if kind == "boolean":
        return truth({name: text}, name)
    if kind == "integer":
        return number({name: text}, name, 0, _MOST)
    if kind[0].isupper() or not text:
        raise BadParameterError(f"The parameter {name} takes a {kind}; got {text[:40]!r} in the address.", place=name)
    return text


def _value(one: Mapping[str, Any], name: str, kind: str) -> Any:
    key = next((key for key in one if key.startswith("value") or key == "resource"), "")
    value = one.get(key)
    is_one = {"boolean": bool, "integer": int, "Coding": dict, "CodeableConcept": dict, "ValueSet": dict}.get(kind, str)
    right = type(value) is is_one and not (isinstance(value, int) and value < 0)
    if not right or (kind[0].isupper() and key not in (f"value{kind}", "resource")):
        raise BadParameterError(f"The parameter {name} takes a {kind}; got {key or 'nothing'}.", place=name)
    if key == "resource" and (not isinstance(value, dict) or value.get("resourceType") != kind):
        raise BadParameterError(f"The parameter {name} takes a {kind}; got another resource.", place=name)
    return value
