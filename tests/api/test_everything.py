"""$everything of a Patient and an Encounter: what belongs, what is brought along, pages, and its cost.

Source: http://hl7.org/fhir/R4/patient-operation-everything.html, encounter-operation-everything.html (parameters, and
"any resource referenced from those"); compartmentdefinition-patient.html and -encounter.html for what belongs.
"""

import json
from typing import Any

import pytest
from starlette.testclient import TestClient

from fhirmod.exchange import CARE_DATES, UNDATED
from fhirmod.mapping import searches
from fhirmod.r4 import RESOURCE_TYPES, compartment_parameters, dump
from tests.intake.case import entry, told

from .issuer import asking_tokens, bearer, token
from .test_fhir import FHIR, put
from .walked import refused, valid

BASE = "http://testserver/fhir"
HER, OTHER = {"reference": "Patient/her"}, {"reference": "Patient/other"}
AT = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}]}["coding"][0]


def observation(id_: str, subject: dict[str, Any] = HER, **fields: Any) -> dict[str, Any]:
    named = {"resourceType": "Observation", "id": id_, "status": "final", "code": {"text": id_}, "subject": subject}
    return named | {"effectiveDateTime": "2026-03-01T02:00:00Z"} | fields


# each beside why it belongs: R4's parameter of the compartment, or who refers to it
RECORD: list[dict[str, Any]] = [
    {"resourceType": "Organization", "id": "maker", "name": "maker"},
    {"resourceType": "Organization", "id": "unasked", "name": "nobody refers to it"},
    {"resourceType": "Device", "id": "pump", "owner": {"reference": "Organization/maker"}},
    {"resourceType": "Practitioner", "id": "midwife", "identifier": [{"system": "urn:oid:2.999.2", "value": "m-1"}]},
    {"resourceType": "Patient", "id": "her", "identifier": [{"system": "urn:oid:2.999.1", "value": "W-1"}]},
    {"resourceType": "Patient", "id": "other", "identifier": [{"system": "urn:oid:2.999.1", "value": "W-2"}]},
    {"resourceType": "Encounter", "id": "stay", "status": "in-progress", "class": AT, "subject": HER},
    {
        "resourceType": "AllergyIntolerance",
        "id": "latex",
        "clinicalStatus": {
            "coding": [
                {"system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical", "code": "active"}
            ]
        },
        "patient": HER,
        "recordedDate": "2010-01-01",
    },
    observation("pulse", encounter={"reference": "Encounter/stay"}, device={"reference": "Device/pump"}),
    observation("late", effectiveDateTime="2026-03-05T02:00:00Z", device={"reference": f"{BASE}/Device/pump"}),
    observation("hers-by-performer", OTHER, performer=[HER]),
    observation(
        "told",
        performer=[{"type": "Practitioner", "identifier": {"system": "urn:oid:2.999.2", "value": "m-1"}}],
        hasMember=[{"reference": "Observation/of-other"}],
    ),
    observation("of-other", OTHER),
    {
        "resourceType": "Provenance",
        "id": "who",
        "target": [{"reference": "Observation/pulse"}],
        "recorded": "2026-03-01T02:05:00Z",
        "agent": [{"who": {"reference": "Practitioner/midwife"}}],
    },
    {
        "resourceType": "Provenance",
        "id": "who-of-other",
        "target": [{"reference": "Observation/of-other"}],
        "recorded": "2026-03-01T02:05:00Z",
        "agent": [{"who": {"display": "somebody"}}],
    },
]
MATCHED = {
    "Patient/her",
    "Encounter/stay",
    "AllergyIntolerance/latex",
    "Observation/pulse",
    "Observation/late",
    "Observation/hers-by-performer",
    "Observation/told",
    "Provenance/who",
}
BROUGHT = {"Device/pump", "Organization/maker", "Practitioner/midwife"}


@pytest.fixture
def ward(client: TestClient) -> TestClient:
    for one in RECORD:
        assert put(client, one).status_code == 201, one
    return client


def asked(client: TestClient, address: str = "Patient/her", query: str = "") -> dict[str, Any]:
    answer = client.get(f"/fhir/{address}/$everything{query}")
    assert answer.status_code == 200, answer.text
    bundle = valid(answer)
    assert bundle["type"] == "searchset"
    for one in bundle.get("entry", ()):
        assert one["fullUrl"] == f"{BASE}/{one['resource']['resourceType']}/{one['resource']['id']}"
    return bundle


def named(bundle: dict[str, Any], mode: str = "") -> list[str]:
    return [
        one["fullUrl"].removeprefix(f"{BASE}/")
        for one in bundle.get("entry", ())
        if mode in ("", one["search"]["mode"])
    ]


def link(bundle: dict[str, Any], relation: str) -> str | None:
    return next((one["url"] for one in bundle["link"] if one["relation"] == relation), None)


def walk(client: TestClient, address: str) -> list[dict[str, Any]]:
    pages: list[dict[str, Any]] = []
    following: str | None = address
    while following:
        pages.append(valid(client.get(following)))
        following = link(pages[-1], "next")
    return pages


def test_everything_of_a_woman_is_her_compartment_its_provenances_and_what_these_refer_to(ward: TestClient) -> None:
    bundle = asked(ward)
    assert set(named(bundle, "match")) == MATCHED
    assert set(named(bundle, "include")) == BROUGHT
    assert len(named(bundle)) == len(set(named(bundle)))
    assert bundle["total"] == len(MATCHED)
    assert link(bundle, "next") is None


def test_everything_of_an_encounter_is_its_compartment_and_whose_it_is(ward: TestClient) -> None:
    bundle = asked(ward, "Encounter/stay")
    assert set(named(bundle, "match")) == {"Encounter/stay", "Observation/pulse", "Provenance/who"}
    assert set(named(bundle, "include")) == {"Patient/her", *BROUGHT}


def test_the_record_of_somebody_else_is_not_followed_into(ward: TestClient) -> None:
    """Common practice, no published source: R4 asks for what is referred to, and privacy is the server's to keep."""
    assert "Observation/of-other" not in named(asked(ward))
    assert "Patient/other" not in named(asked(ward))


def test_a_woman_who_was_merged_has_everything_under_either_id(ward: TestClient) -> None:
    put(ward, {"resourceType": "Patient", "id": "newer", "link": [{"other": HER, "type": "replaces"}]})
    put(ward, observation("since", {"reference": "Patient/newer"}))
    for id_ in ("her", "newer"):
        assert set(named(asked(ward, f"Patient/{id_}"), "match")) == MATCHED | {"Patient/newer", "Observation/since"}


def test_pages_hold_everything_once_and_stay_stable_while_others_write(ward: TestClient) -> None:
    whole = named(asked(ward))
    for count in (1, 2, 5):
        pages = walk(ward, f"/fhir/Patient/her/$everything?_count={count}")
        assert [one for page in pages for one in named(page)] == whole
        assert all(len(page["entry"]) == count for page in pages[:-1])
        assert pages[-1]["entry"]
    first = asked(ward, query="?_count=6&_type=Observation,Device,Patient,Practitioner,Organization")
    put(ward, {"resourceType": "Device", "id": "drape"})
    put(
        ward,
        observation(
            "meanwhile", device={"reference": "Device/drape"}, performer=[{"reference": "Practitioner/midwife"}]
        ),
    )
    later = walk(ward, str(link(first, "next")))
    seen = named(first) + [one for page in later for one in named(page)]
    assert len(seen) == len(set(seen))
    assert {"Observation/meanwhile", "Device/drape"} <= set(seen)
    assert all("_type=Observation%2CDevice" in str(link(page, "self")) for page in later)


def test_a_count_of_0_gives_the_total_alone(ward: TestClient) -> None:
    bundle = asked(ward, query="?_count=0")
    assert (bundle["total"], bundle.get("entry"), link(bundle, "next")) == (len(MATCHED), None, None)


@pytest.mark.parametrize(
    ("query", "without"),
    [
        ("?start=2026-03-01&end=2026-03-01", {"Observation/late"}),
        ("?end=2026-03-04", {"Observation/late"}),
        ("?start=2026-03-05&end=2026-03-05", {"Observation/pulse", "Observation/told", "Provenance/who"}),
        ("?start=2026-03", set()),
        ("?end=2026-02", {"Observation/pulse", "Observation/late", "Observation/told", "Provenance/who"}),
    ],
)
def test_start_and_end_ask_for_dates_of_care_and_what_has_none_stays(
    ward: TestClient, query: str, without: set[str]
) -> None:
    gone = without | ({"Observation/hers-by-performer"} if "Observation/told" in without else set())
    assert set(named(asked(ward, query=query), "match")) == MATCHED - gone


def test_since_asks_for_what_was_written_from_then_on(ward: TestClient) -> None:
    written = valid(ward.get("/fhir/Observation/told"))["meta"]["lastUpdated"]
    assert set(named(asked(ward, query=f"?_since={written}"))) == {"Observation/told", "Provenance/who"}


def test_type_asks_for_some_types_of_what_belongs_and_of_what_is_brought(ward: TestClient) -> None:
    for query in ("?_type=Device,Patient", "?_type=Device&_type=Patient"):
        assert set(named(asked(ward, query=query))) == {"Device/pump", "Patient/her"}
    assert "entry" not in asked(ward, query="?_type=Appointment")


def test_parameters_may_come_in_parameters(ward: TestClient) -> None:
    told_ = [
        {"name": "_type", "valueCode": "Observation"},
        {"name": "_type", "valueCode": "Device"},
        {"name": "start", "valueDate": "2026-03-05"},
        {"name": "_count", "valueInteger": 1},
    ]
    body = dump({"resourceType": "Parameters", "parameter": told_})
    first = valid(ward.post("/fhir/Patient/her/$everything", content=body, headers=FHIR))
    assert named(first) == ["Observation/late"]
    assert named(valid(ward.get(str(link(first, "next"))))) == ["Device/pump"]
    assert named(valid(ward.post("/fhir/Patient/her/$everything", headers=FHIR))) == named(asked(ward))


@pytest.mark.parametrize(
    ("address", "status", "code", "says"),
    [
        ("Patient/none/$everything", 404, "not-found", "was never here"),
        ("Encounter/none/$everything", 404, "not-found", "was never here"),
        ("Patient/her/$everything?start=yesterday", 400, "value", "must be a date"),
        ("Patient/her/$everything?end=2026-02-30", 400, "value", "must be a date"),
        ("Patient/her/$everything?start=2026-03-01T02:00:00Z", 400, "value", "must be a date"),
        ("Patient/her/$everything?_since=2026-03-01", 400, "value", "an instant with offset"),
        ("Patient/her/$everything?_type=Balloon", 400, "value", "names types of R4"),
        ("Patient/her/$everything?_count=some", 400, "value", "a whole number"),
        ("Patient/her/$everything?_after=7", 400, "value", "page cursor"),
        ("Patient/her/$everything?start=2026&start=2027", 400, "value", "more than once"),
        ("Patient/her/$everything?code=x", 400, "value", "There is no parameter 'code' here"),
        ("Encounter/stay/$everything?start=2026-03-01", 400, "value", "There is no parameter 'start' here"),
        ("Observation/pulse/$everything", 404, "not-supported", "There is no operation $everything at this address"),
        ("Encounter/$everything", 404, "not-supported", "There is no operation $everything at this address"),
    ],
)
def test_what_cannot_be_asked_is_refused(ward: TestClient, address: str, status: int, code: str, says: str) -> None:
    refused(ward.get(f"/fhir/{address}"), status, code, says)


def test_a_body_that_is_no_parameters_is_refused_and_one_of_a_deleted_woman_is_gone(ward: TestClient) -> None:
    address = "/fhir/Patient/her/$everything"
    refused(ward.post(address, content=dump(RECORD[0]), headers=FHIR), 422, "invalid", "must be a Parameters resource")
    for parameter, status, code, says in (
        ({"name": "start"}, 422, "invariant", "inv-1"),
        ({"valueDate": "2026"}, 422, "required", "name"),
        ({"name": "_type", "valueCoding": {"code": "x"}}, 400, "value", "takes a code; got valueCoding"),
        ({"name": "_count", "valueString": "x"}, 400, "value", "takes a integer; got valueString"),
    ):
        body = dump({"resourceType": "Parameters", "parameter": [parameter]})
        refused(ward.post(address, content=body, headers=FHIR), status, code, says)
    put(ward, {"resourceType": "Patient", "id": "gone"})
    ward.delete("/fhir/Patient/gone")
    refused(ward.get("/fhir/Patient/gone/$everything"), 410, "deleted", "was deleted")


def test_a_batch_asks_for_everything_and_a_transaction_is_refused(ward: TestClient) -> None:
    request = {"request": {"method": "GET", "url": "Patient/her/$everything?_type=Device"}}
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": [request]}
    [one] = valid(ward.post("/fhir", content=dump(bundle), headers=FHIR))["entry"]
    assert one["response"]["status"].startswith("200")
    assert named(one["resource"]) == ["Device/pump"]
    answer = ward.post("/fhir", content=dump(bundle | {"type": "transaction"}), headers=FHIR)
    refused(answer, 400, "not-supported", "reads, searches and histories only")


def test_a_case_of_the_bedside_is_whole_in_everything(client: TestClient) -> None:
    opening = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
    episode = client.post("/episodes", json=opening).json()["episode"]
    client.post(f"/episodes/{episode}/entries", json=told())
    case = client.get(f"/episodes/{episode}/bundle").json()
    all_of_it = {f"{one['resource']['resourceType']}/{one['resource']['id']}" for one in case["entry"]}
    [patient] = [one for one in all_of_it if one.startswith("Patient/")]
    pages = walk(client, f"/fhir/{patient}/$everything?_count=7")
    given = [one for page in pages for one in named(page)]
    assert len(given) == len(set(given))
    assert set(given) >= all_of_it
    assert {one.partition("/")[0] for one in given} >= {"Provenance", "Device", "Task", "Flag", "Organization"}


def test_the_statements_do_not_depend_on_how_much_there_is(client: TestClient) -> None:
    opening = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
    episode = client.post("/episodes", json=opening).json()["episode"]
    client.post(f"/episodes/{episode}/entries", json=told())
    [patient] = [
        one["resource"]["id"]
        for one in client.get(f"/episodes/{episode}/bundle").json()["entry"]
        if one["resource"]["resourceType"] == "Patient"
    ]
    counters = client.app.state.parts.intake.store.counters  # type: ignore[attr-defined]

    def cost() -> tuple[int, int]:
        before = counters.read_statements
        total = valid(client.get(f"/fhir/Patient/{patient}/$everything?_count=500"))["total"]
        return counters.read_statements - before, total

    few, small = cost()
    more = [entry("fill", f"03:{minute:02}", volume_ml=10) for minute in range(60)]
    more += [entry("vital-signs", f"04:{minute:02}", pulse_per_min=100 + minute) for minute in range(60)]
    assert client.post(f"/episodes/{episode}/entries", json=more).status_code == 200
    many, large = cost()
    assert (many, large > small + 100) == (few, True)


def test_everything_gives_only_what_the_token_may_read_and_says_so(tmp_path_factory: Any) -> None:
    with asking_tokens(tmp_path_factory.mktemp("everything")) as (client, _):
        whole = FHIR | bearer(token())
        for one in RECORD:
            client.put(f"/fhir/{one['resourceType']}/{one['id']}", content=json.dumps(one), headers=whole)

        def everything(scope: str, query: str = "") -> Any:
            return client.get(f"/fhir/Patient/her/$everything{query}", headers=bearer(token(scope)))

        assert named(valid(everything("system/*.r"))) == named(valid(everything("system/*.cruds")))
        for scope, given in (
            ("system/Patient.rs system/Observation.rs", {one for one in MATCHED if "Patient/" in one or "Obs" in one}),
            ("system/Patient.r system/Device.r", {"Patient/her"}),  # what leads to the pump is not to be seen
            ("system/Patient.r system/AllergyIntolerance.r", {"Patient/her", "AllergyIntolerance/latex"}),
        ):
            page = valid(everything(scope))
            *rest, last = page["entry"]
            assert {one["fullUrl"].removeprefix(f"{BASE}/") for one in rest} == given
            assert (last["search"]["mode"], last["resource"]["issue"][0]["code"]) == ("outcome", "suppressed")
            assert page["total"] == len(given)
        for scope, query in (
            ("system/*.s", ""),
            ("system/Observation.r", ""),
            ("system/Patient.r", "?_type=Observation"),
            ("system/Patient.r system/Device.r", "?_type=Device,Observation"),
        ):
            refused(everything(scope, query), 403, "forbidden", "This needs the scope system/")
        assert named(valid(everything("system/Patient.r", "?_type=Patient"))) == ["Patient/her"]


def test_every_type_of_the_compartment_is_dated_or_stated_as_undated() -> None:
    of_her = {type_ for type_ in RESOURCE_TYPES if type_ == "Patient" or compartment_parameters("Patient", type_)}
    assert set(CARE_DATES) | UNDATED == of_her | {"Task"}
    assert not set(CARE_DATES) & UNDATED
    for type_, names in CARE_DATES.items():
        assert {searches(type_)[name].type for name in names} == {"date"}
