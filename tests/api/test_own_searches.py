"""A registry finds cases by our own search parameters, on a case told at the bedside; each claimed with its definition.

Source: http://hl7.org/fhir/R4/search.html; what must be found follows from the entries sent below.
"""

from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from fhirmod.mapping import BASE, OWN_SEARCHES

from .test_fhir import FHIR
from .walked import refused, valid

TERM = f"{BASE}/CodeSystem/tamponade"


def at(time: str) -> dict[str, str]:
    return {"at": f"2026-03-01T{time}:00Z", "recorded_at": f"2026-03-01T{time}:00Z"}


TOLD: tuple[dict[str, Any], ...] = (
    {"kind": "haemorrhage", "causes": ["tone"], **at("02:10")},
    {"kind": "placement", "device": "purpose-made", "label_max_ml": 500, **at("02:40")},
    {"kind": "fill", "compartment": "cavity", "volume_ml": 250, **at("02:41")},
    {"kind": "fluid", "fluid": "ringer-lactate", "volume_ml": 500, **at("02:55")},
    {"kind": "complication", "complication": "pain", **at("03:15")},
    {"kind": "removal", "how": "removed", **at("14:40")},
)


def told(client: TestClient) -> str:
    opened = client.post("/episodes", json={"facility": {"id": "clinic-7"}, **at("02:00")}).json()
    entries = [one | {"id": f"6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a{n:02}"} for n, one in enumerate(TOLD)]
    answer = client.post(f"/episodes/{opened['episode']}/entries", json=entries)
    assert [one["status"] for one in answer.json()["entries"]] == ["accepted"] * len(TOLD), answer.text
    return str(opened["episode"])


def found(client: TestClient, type_: str, **asked: str) -> int:
    answer = valid(client.get(f"/fhir/{type_}?{urlencode(asked)}", headers=FHIR | {"prefer": "handling=strict"}))
    assert answer["total"] == len(answer.get("entry", ()))
    return int(answer["total"])


def test_a_case_is_found_by_what_a_registry_asks(client: TestClient) -> None:
    episode = told(client)
    anchor = f"Procedure/{episode}.anchor"
    assert found(client, "Condition", **{"due-to": f"{TERM}|cause-tone"}) == 1
    assert found(client, "Condition", **{"due-to": f"{TERM}|cause-trauma"}) == 0
    assert found(client, "DeviceUseStatement", timing="ge2026-03-01T12:00:00Z", status="completed") == 1
    assert found(client, "DeviceUseStatement", timing="sa2026-03-01T15:00:00Z") == 0
    assert found(client, "DeviceUseStatement", status="active") == 0
    assert found(client, "DeviceUseStatement", **{"derived-from": anchor}) == 1
    assert found(client, "Flag", status="inactive") == 1
    assert found(client, "MedicationAdministration", **{"part-of": anchor}) == 1
    assert found(client, "MedicationAdministration", **{"part-of": "Procedure/other"}) == 0
    [pain] = valid(client.get(f"/fhir/Condition?code={TERM}|pain"))["entry"]
    assert found(client, "Procedure", complication=f"Condition/{pain['resource']['id']}") == 1
    device = valid(client.get("/fhir/Device"))["entry"][0]["resource"]["id"]
    assert found(client, "Procedure", device=f"Device/{device}") >= 1
    assert found(client, "Procedure", **{"outcome:missing": "false"}) == 0


def test_what_is_due_is_found_by_its_window(client: TestClient) -> None:
    opened = client.post("/episodes", json={"facility": {"id": "clinic-7"}, **at("02:00")}).json()
    entries = [one | {"id": f"6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a{n:02}"} for n, one in enumerate(TOLD[:3])]
    client.post(f"/episodes/{opened['episode']}/entries", json=entries)
    [one, *_] = valid(client.get("/fhir/Task"))["entry"]
    window = one["resource"]["restriction"]["period"]
    assert found(client, "Task", due="2026-03-01") >= 1
    assert found(client, "Task", _id=one["resource"]["id"], due=f"ge{window['start']}") == 1
    assert found(client, "Task", _id=one["resource"]["id"], due=f"gt{window['end']}") == 0
    assert found(client, "Task", due="lt2026-02-01") == 0


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_each_is_claimed_with_the_definition_that_is_read_here(client: TestClient) -> None:
    rest = valid(client.get("/fhir/metadata"))["rest"][0]
    claimed = {(type_["type"], one["name"]): one for type_ in rest["resource"] for one in type_["searchParam"]}
    for own in OWN_SEARCHES:
        claim = claimed[own.base, own.code]
        assert claim == {"name": own.code, "type": own.type, "definition": own.url}
        [entry] = valid(client.get(f"/fhir/SearchParameter?url={own.url}"))["entry"]
        assert entry["resource"]["id"] == own.url.removeprefix(f"{BASE}/SearchParameter/")
    refused(
        client.get("/fhir/Flag?due=2026", headers={"prefer": "handling=strict"}), 400, "not-supported", "not searched"
    )
