"""What is not valid R4 is refused and leaves nothing; what is valid is taken and served as it came."""

from collections.abc import Callable

import pytest

from fhirmod.errors import BusinessRuleError, FhirmodError, InvalidError, PreconditionFailedError
from fhirmod.intake import Intake
from fhirmod.r4 import RESOURCE_TYPES, check, dump, parse
from tests.r4.corpus import changed, invalid, valid

from .case import ALL, request

VALID = valid()
WRONG = {one["label"]: changed(VALID[one["base"]], one) for one in invalid()}
REFUSED = {
    label: one
    for label, one in WRONG.items()
    if isinstance(one.get("resourceType"), str)
    and one["resourceType"] in RESOURCE_TYPES
    and any(finding.refuses for finding in check(one))
}


def test_no_invalid_instance_is_taken_by_create_update_or_transaction_and_nothing_is_left(intake: Intake) -> None:
    assert len(REFUSED) > 200
    for resource in REFUSED.values():
        type_ = str(resource["resourceType"])
        with pytest.raises(FhirmodError):
            intake.create(request(), type_, dump(resource))
        id_ = str(resource.get("id", "given"))
        with pytest.raises(InvalidError):
            intake.update(request(), type_, id_, dump({**resource, "id": resource.get("id", id_)}))
        ask = {"method": "POST", "url": type_}
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [{"resource": resource, "request": ask}]}
        with pytest.raises(FhirmodError):
            intake.transaction(request(), dump(bundle))
        assert intake.store.read(lambda reader, type_=type_: reader.search(ALL, type_, count=1)).total == 0  # type: ignore[misc]
    assert intake.store.counters.commits == 0


@pytest.mark.parametrize("label", VALID)
def test_every_valid_instance_is_taken_and_served_as_it_came(label: str, new_intake: Callable[[], Intake]) -> None:
    resource = VALID[label]
    type_ = str(resource["resourceType"])
    id_ = str(resource.get("id", "given"))
    text = dump({**resource, "id": id_})
    intake = new_intake()
    try:
        written = intake.update(request(), type_, id_, text)
    except BusinessRuleError:
        pytest.fail(f"{label} was taken for one of ours")
    except PreconditionFailedError:
        assert b"?identifier=" in text  # a conditional reference is resolved, and nobody is there to be found
        return
    assert written.version is not None
    served = parse(written.version.body or b"")
    for identity in ("id", "meta"):
        served.pop(identity, None)
    wanted = {name: value for name, value in resource.items() if name not in ("id", "meta")}
    assert dump(served) == dump(wanted)
