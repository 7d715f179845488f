"""What is assembled and computed from another system's resources refers to resources that are there.

Source: http://hl7.org/fhir/R4/http.html#integrity (a server may promise that references lead somewhere; ours do).
"""

from pathlib import Path
from typing import Any

import pytest

from fhirmod.intake import Intake
from fhirmod.r4 import parse, references

from .case import ALL, request

TRAPS = Path(__file__).parents[1] / "traps"
CASES = ("contained-device", "second-balloon", "panel-and-members", "use-and-then-the-placement", "no-part-of")


def stored(intake: Intake) -> dict[str, dict[str, Any]]:
    """Return every living resource of every episode, by reference."""
    found: dict[str, dict[str, Any]] = {}

    def read(reader: Any) -> None:
        for row in reader.episodes(ALL):
            for version in reader.members(ALL, row.id):
                found[f"{version.type}/{version.id}"] = {} if version.body is None else parse(version.body)

    intake.store.read(read)
    return found


@pytest.mark.parametrize("name", CASES)
def test_no_reference_of_ours_leads_nowhere(name: str, intake: Intake) -> None:
    for path in sorted((TRAPS / name).glob("*.json")):
        if path.name != "expected.json":
            intake.transaction(request(), path.read_bytes())
    there = stored(intake)
    ours = [one for key, one in there.items() if one and ("." in key or one["resourceType"] == "DeviceUseStatement")]
    assert ours
    for resource in ours:
        for place, text in references(resource):
            type_ = text.partition("/")[0]
            if type_ in ("Procedure", "Observation", "Device", "Condition"):
                assert text in there, (name, resource["id"], place, text)
