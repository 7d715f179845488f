"""The code map in force: read with it, kept with the record, changed only by reading everything anew."""

import json
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fhirmod.errors import BusinessRuleError, ConflictError
from fhirmod.intake import Intake
from fhirmod.mapping import SiteCodes

from . import partner
from .case import ALL, request

LOCAL = "urn:example:west"
MAP = SiteCodes.read(
    f"system,code,concept,unit,ucum\n{LOCAL},BLV,blood-loss-measured,cc,mL\n{LOCAL},UBT,anchor,,\n".encode()
)


def local_case() -> bytes:
    resources: list[dict[str, Any]] = partner.case()[:3]
    resources[1]["code"] = partner.coded(LOCAL, "UBT")
    resources[2]["code"] = partner.coded(LOCAL, "BLV")
    resources[2]["valueQuantity"] = {"value": 700, "unit": "cc"}
    return partner.transaction(resources)


def measured(intake: Intake, episode: str) -> list[Decimal]:
    values = intake.snapshot(ALL, episode).summary
    return [pair[0] for key, pair in values.items() if key.measure == "blood-loss-measured"]


def test_local_codes_are_read_through_the_map_and_stored_as_they_came(intake: Intake) -> None:
    intake.use_code_map(request(), MAP)
    written, receipt = intake.transaction(request(), local_case())
    assert receipt.episode is not None
    assert [one.kind for one in receipt.read] == ["blood-loss"]
    assert measured(intake, receipt.episode) == [700]
    body = json.loads((written[2].version.body if written[2].version is not None else None) or b"")
    assert body["code"] == partner.coded(LOCAL, "BLV")
    assert body["valueQuantity"] == {"value": 700, "unit": "cc"}
    cold = Intake(intake.store, intake.protocol)
    assert (
        cold.snapshot(ALL, receipt.episode).episode.standing()
        == intake.snapshot(ALL, receipt.episode).episode.standing()
    )
    assert intake.rebuild(request()) == 0


def test_without_a_map_a_local_code_is_no_anchor(intake: Intake) -> None:
    _, receipt = intake.transaction(request(), local_case())
    assert receipt.episode is None


def test_another_map_comes_into_force_only_by_reading_everything_anew(new_intake: Callable[[], Intake]) -> None:
    intake = new_intake()
    resources = partner.case()
    resources[2]["code"] = partner.coded(LOCAL, "BLV")
    _, receipt = intake.transaction(request(), partner.transaction(resources))
    assert receipt.episode is not None
    with pytest.raises(ConflictError, match="rebuild --code-map"):
        intake.use_code_map(request(), MAP)
    assert measured(intake, receipt.episode) == [150]
    version = intake.snapshot(ALL, receipt.episode).row.version
    assert intake.rebuild(request(), MAP) > 0
    assert measured(intake, receipt.episode) == [850]
    assert intake.snapshot(ALL, receipt.episode).row.version == version + 1
    assert intake.snapshot(ALL, receipt.episode).unread == ()
    assert intake.rebuild(request()) == 0
    assert intake.rebuild(request(), MAP) == 0
    assert intake.code_map(ALL).hash == MAP.hash
    intake.use_code_map(request(), MAP)


def test_a_client_does_not_write_the_map(intake: Intake) -> None:
    intake.use_code_map(request(), MAP)
    library = {
        "resourceType": "Library",
        "id": "site-code-map",
        "status": "active",
        "type": {"coding": [{"code": "asset-collection"}]},
    }
    with pytest.raises(BusinessRuleError):
        intake.update(request(), "Library", "site-code-map", json.dumps(library).encode())
