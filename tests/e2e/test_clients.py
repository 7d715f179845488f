"""Two clients that know nothing of us, against the real service over HTTP; each has its own idea of FHIR.

`fhirpy` is a thin client of dictionaries, `fhirclient` has a class for each R4 type and refuses what does not fit it.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests
from fhirclient.client import FHIRClient
from fhirclient.models.bundle import Bundle, BundleEntry, BundleEntryRequest
from fhirclient.models.capabilitystatement import CapabilityStatement
from fhirclient.models.observation import Observation
from fhirclient.models.patient import Patient
from fhirclient.server import FHIRNotFoundException
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import MultipleResourcesFound, OperationOutcome, ResourceNotFound

from tests.intake import partner

from .service import Service, running

SYSTEM = "urn:oid:2.999.1"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder: Path = tmp_path_factory.mktemp("clients")
    with running(folder / "record.db") as started:
        yield started


def base(service: Service) -> str:
    return f"http://127.0.0.1:{service.port}/fhir"


def woman(value: str, **more: Any) -> dict[str, Any]:
    return {"identifier": [{"system": SYSTEM, "value": value}], **more}


def test_fhirpy_creates_finds_updates_conflicts_and_deletes(service: Service) -> None:
    client = SyncFHIRClient(base(service))
    made = client.resource("Patient", **woman("py-1", gender="female"))
    made.save()
    assert made["meta"]["versionId"] == "1"
    found = client.resources("Patient").search(identifier=f"{SYSTEM}|py-1")
    assert (found.count(), found.get().id) == (1, made.id)

    made["gender"] = "unknown"
    made.save()
    assert made["meta"]["versionId"] == "2"
    stale = SyncFHIRClient(base(service), extra_headers={"If-Match": 'W/"1"'})
    with pytest.raises(MultipleResourcesFound, match="the current version is 2"):  # its name for any 412
        stale.resource("Patient", **dict(made)).save()
    assert client.reference("Patient", made.id).to_resource()["gender"] == "unknown"
    made.refresh()  # asks with If-None-Match, and is told 304

    past = client.execute(f"Patient/{made.id}/_history", method="get")
    assert [one["resource"]["gender"] for one in past["entry"]] == ["unknown", "female"]
    client.delete(f"Patient/{made.id}")
    with pytest.raises(ResourceNotFound, match="was deleted"):
        client.reference("Patient", made.id).to_resource()
    with pytest.raises(OperationOutcome, match="gender has the code woman"):
        client.resource("Patient", gender="woman").save()


def test_fhirpy_writes_under_conditions(service: Service) -> None:
    client = SyncFHIRClient(base(service))
    named = client.resources("Patient").search(identifier=f"{SYSTEM}|py-2")
    with pytest.raises(OperationOutcome, match="a condition is sent as the header If-None-Exist"):
        named.get_or_create(client.resource("Patient", **woman("py-2")))  # puts it into the address, which R4 does not
    careful = SyncFHIRClient(base(service), extra_headers={"If-None-Exist": f"identifier={SYSTEM}|py-2"})
    first, second = (careful.resource("Patient", **woman("py-2")).save() for _ in range(2))
    assert first.id == second.id
    updated, new = named.update(client.resource("Patient", **woman("py-2", gender="female")))
    assert (new, updated.id, updated["meta"]["versionId"]) == (False, first.id, "2")
    named.delete()
    assert named.count() == 0

    born = client.resources("Patient").search(birthdate="1990-02-03", gender="female")  # more than an identifier
    body = woman("py-3", birthDate="1990-02-03", gender="female")
    made, new = born.update(client.resource("Patient", **body))
    again, newer = born.update(client.resource("Patient", **body))
    assert (new, newer, made.id) == (True, False, again.id)
    born.delete()
    assert born.count() == 0


def test_fhirpy_walks_all_pages(service: Service) -> None:
    client = SyncFHIRClient(base(service))
    entries = [
        {"resource": {"resourceType": "Patient", **woman(f"page-{n}")}, "request": {"method": "POST", "url": "Patient"}}
        for n in range(25)
    ]
    answer = client.execute("", data={"resourceType": "Bundle", "type": "transaction", "entry": entries})
    assert {one["response"]["status"] for one in answer["entry"]} == {"201 Created"}
    some = ",".join(f"{SYSTEM}|page-{n}" for n in range(25))
    walked = [one["identifier"][0]["value"] for one in client.resources("Patient").search(identifier=some).limit(10)]
    assert walked == [f"page-{n}" for n in range(25)]
    page = client.resources("Patient").search(identifier=some).limit(10).fetch_raw()
    assert (len(page.entry), page.total) == (10, 25)


def test_fhirclient_reads_what_the_service_says_it_does(service: Service) -> None:
    server = FHIRClient(settings={"app_id": "tests", "api_base": base(service)}).server
    statement = CapabilityStatement.read_from("metadata", server)
    assert statement.fhirVersion == "4.0.1"
    claimed = {one.code for one in statement.rest[0].interaction}
    assert claimed == {"transaction", "batch", "history-system"}


def test_fhirclient_creates_finds_updates_conflicts_and_deletes(service: Service) -> None:
    server = FHIRClient(settings={"app_id": "tests", "api_base": base(service)}).server
    made = Patient(woman("fc-1", gender="female", birthDate="1990-02-03"))
    answer = made.create(server)
    assert answer["resourceType"] == "Patient"
    stored = Patient.read(answer["id"], server)
    assert (stored.birthDate.isostring, stored.meta.versionId) == ("1990-02-03", "1")
    [found] = Patient.where({"identifier": f"{SYSTEM}|fc-1"}).perform_resources_iter(server)
    assert found.id == stored.id

    stored.gender = "unknown"
    stored.update(server)
    server.session.headers["If-Match"] = 'W/"1"'
    with pytest.raises(requests.HTTPError, match="412") as wrong:
        stored.update(server)
    answered = wrong.value.response
    assert answered is not None
    assert answered.json()["issue"][0]["code"] == "conflict"
    del server.session.headers["If-Match"]

    past = Bundle.read_from(f"Patient/{stored.id}/_history", server)
    assert (past.type, past.total) == ("history", 2)
    assert [one.resource.gender for one in past.entry] == ["unknown", "female"]
    stored.delete(server)
    with pytest.raises(requests.HTTPError, match="410"):
        Patient.read(stored.id, server)
    assert Bundle.read_from(f"Patient/{stored.id}/_history", server).entry[0].request.method == "DELETE"
    with pytest.raises(FHIRNotFoundException):
        Patient.read("never", server)


def test_fhirclient_sends_a_whole_case_and_walks_it(service: Service) -> None:
    server = FHIRClient(settings={"app_id": "tests", "api_base": base(service)}).server
    case = partner.case()
    case[0] = {**case[0], **woman("fc-case")}
    bundle = Bundle({"type": "transaction"})
    bundle.entry = []
    for number, resource in enumerate(case):
        entry = BundleEntry()
        entry.fullUrl = {0: partner.PATIENT, 1: partner.ANCHOR}.get(number)
        entry.request = BundleEntryRequest({"method": "POST", "url": resource["resourceType"]})
        entry.resource = _typed(resource)
        bundle.entry.append(entry)
    answer = Bundle(server.post_json("", bundle.as_json()).json())
    assert (answer.type, len(answer.entry)) == ("transaction-response", len(case))
    patient = answer.entry[0].response.location.split("/")[-3]
    search = Observation.where({"patient": patient, "_count": "3"})
    walked = list(search.perform_resources_iter(server))
    assert len(walked) == len({one.id for one in walked}) > 5
    assert {one.subject.reference for one in walked} == {f"Patient/{patient}"}
    everything = Bundle.read_from("_history?_count=5", server)
    assert [one.relation for one in everything.link] == ["self", "next"]


def _typed(resource: dict[str, Any]) -> Any:
    from fhirclient.models.fhirelementfactory import FHIRElementFactory

    return FHIRElementFactory.instantiate(resource["resourceType"], resource)
