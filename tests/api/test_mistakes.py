"""Mistakes that other FHIR servers and tools were seen to make, each from its issue; those of search are tested there.

The issues are named where the mistake was seen: project#number on GitHub. Tested elsewhere: ETag forms, lost updates,
races and conditions in `test_deleting`, `test_transaction`, `test_batch`; negotiation in `test_negotiation`; nulls and
empty values in every answer that `walked.valid` reads.
"""

import base64
import json
from random import Random
from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from fhirmod.exchange import PUBLISHED_TYPES
from fhirmod.r4 import RESOURCE_TYPES, parse
from fhirmod.r4.facts import facts
from tests.intake.case import entry

from .test_claims import SENT
from .test_fhir import FHIR, PATIENT, put
from .test_transaction import part, send, woman
from .walked import refused, valid

OBSERVATION = {"resourceType": "Observation", "id": "o", "status": "final", "code": {"text": "x"}}
DIV = '<div xmlns="http://www.w3.org/1999/xhtml">%s</div>'


def post(client: TestClient, text: str | dict[str, Any], type_: str = "Observation") -> Any:
    content = text if isinstance(text, str) else json.dumps(text)
    return client.post(f"/fhir/{type_}", content=content, headers=FHIR)


@pytest.mark.parametrize("digits", ["1.50", "0.010", "350", "350.0", "1e3", "1E-7", "-0.0", "12345678901234567890.5"])
def test_no_digit_is_lost_on_any_way_out(client: TestClient, digits: str) -> None:
    # fhir.resources#203, firely-net-sdk#136
    text = json.dumps({**OBSERVATION, "valueQuantity": {"value": "DIGITS", "unit": "x"}}).replace('"DIGITS"', digits)
    wanted = f'"valueQuantity": {{"value": {digits}, "unit": "x"}}'
    assert wanted in client.put("/fhir/Observation/o", content=text, headers=FHIR).text
    bundle = '{"resourceType":"Bundle","type":"%s","entry":[%s]}'
    sent = '{"request":{"method":"PUT","url":"Observation/p"},"resource":%s}' % text.replace('"o"', '"p"')  # noqa: UP031
    for kind in ("transaction", "batch"):
        answer = client.post("/fhir", content=bundle % (kind, sent), headers=FHIR | {"prefer": "return=representation"})
        assert wanted in answer.text
    for path in (
        "Observation/o",
        "Observation/o/_history/1",
        "Observation/o/_history",
        "Observation/_history",
        "_history",
        "Observation?_id=o",
    ):
        assert wanted in client.get(f"/fhir/{path}").text
    asked = send(client, part(None, "GET", "Observation/o"))
    assert wanted in asked.text
    put(client, PATIENT | {"id": "w"})
    letter = {
        "resourceType": "Composition",
        "id": "c",
        "status": "final",
        "type": {"text": "x"},
        "title": "x",
        "date": "2026-03-01",
        "subject": {"reference": "Patient/w"},
        "author": [{"display": "x"}],
        "section": [{"entry": [{"reference": "Observation/o"}]}],
    }
    assert put(client, letter).status_code == 201
    assert wanted in client.get("/fhir/Composition/c/$document").text
    assert wanted in client.get("/fhir/Patient/w/$everything").text  # what the letter refers to is brought along


def test_a_digit_more_is_another_version(client: TestClient) -> None:
    for number, digits in enumerate(("1.5", "1.50", "1.500", "1.5e0"), 1):
        text = json.dumps({**OBSERVATION, "valueQuantity": {"value": "DIGITS"}}).replace('"DIGITS"', digits)
        for _ in range(2):
            answer = client.put("/fhir/Observation/o", content=text, headers=FHIR)
            assert answer.headers["etag"] == f'W/"{number}"'


TIMES = {"date", "dateTime", "instant", "time"}
UNKNOWN = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}
BESIDE = {  # what an invariant wants where the time is there, even unknown
    ("Condition", "abatementDateTime"): {  # con-4
        "clinicalStatus": {
            "coding": [{"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "resolved"}]
        }
    },
}


def timed() -> dict[str, list[str]]:
    """Return the elements of a time that each type has at its top, needed or not, by R4's own definitions."""
    found: dict[str, list[str]] = {}
    for type_ in sorted(RESOURCE_TYPES - PUBLISHED_TYPES):
        for one in facts()["shapes"][type_]["elements"]:
            kinds = [kind for kind in one.get("types", ()) if kind in TIMES]
            if kinds and "max" not in one:
                name = one["name"].removesuffix("[x]")
                chosen = name if name == one["name"] else name + kinds[0][0].upper() + kinds[0][1:]
                found.setdefault(type_, []).append(chosen)
    return found


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_a_time_that_is_only_a_reason_is_taken_at_every_time_of_every_type(client: TestClient) -> None:
    """Source: http://hl7.org/fhir/R4/element.html (ele-1: a value or children), extensibility.html#dar."""
    assert len(timed()) > 40
    for type_, names in timed().items():
        for name in names:
            begun = {key: value for key, value in SENT[type_].items() if not _same_choice(key, name)}
            answer = post(client, {**begun, **BESIDE.get((type_, name), {}), f"_{name}": UNKNOWN}, type_)
            assert (answer.status_code, valid(answer).get(f"_{name}")) == (201, UNKNOWN), (type_, name, answer.text)


def _same_choice(key: str, name: str) -> bool:
    """Return whether a property is another of the same choice (valueString beside valueDateTime), or the same."""
    stem = name.removesuffix("DateTime").removesuffix("Date").removesuffix("Instant").removesuffix("Time")
    return key.lstrip("_") == name or (stem != name and key.startswith(stem) and key[len(stem) :][:1].isupper())


def test_an_attachment_is_refused_or_kept_byte_by_byte(client: TestClient) -> None:
    data = base64.b64encode(bytes(range(256))).decode()
    made = post(client, {"resourceType": "Binary", "contentType": "application/octet-stream", "data": data}, "Binary")
    assert valid(made)["data"] == data
    for wrong in ("not base64!", "QUJ", "QUJD=", "QUJD\u00e9"):
        answer = post(client, {"resourceType": "Binary", "contentType": "x/y", "data": wrong}, "Binary")
        assert (answer.status_code, valid(answer)["resourceType"]) == (422, "OperationOutcome")


@pytest.mark.parametrize(
    "text",
    [
        "2026",
        "2026-03",
        "2026-03-01",
        "2026-03-01T02:10:00Z",
        "2026-03-01T02:10:00+00:00",
        "2026-03-01T02:10:00-11:30",
        "2026-03-01T02:10:00.5+14:00",
        "2026-03-01T02:10:00.123456789Z",
        "1700-01-01",
    ],
)
def test_a_time_comes_back_as_it_was_written(client: TestClient, text: str) -> None:
    # fhir-core#14, fhir.resources#72, #145
    answer = put(client, {**OBSERVATION, "effectiveDateTime": text})
    assert answer.is_success, answer.text
    for path in ("Observation/o", "Observation/o/_history", "Observation?_id=o"):
        assert f'"effectiveDateTime": "{text}"' in client.get(f"/fhir/{path}").text


@pytest.mark.parametrize("text", ["2026-03-01T02:10:00", "2026-03-01T02:10Z", "2026-13", "01/03/2026", "2026-02-30"])
def test_a_time_that_r4_does_not_have_is_refused(client: TestClient, text: str) -> None:
    refused(put(client, {**OBSERVATION, "effectiveDateTime": text}), 422, "value", "effective")


ILL = [
    b"",
    b"null",
    b"5",
    b'"Patient"',
    b"[]",
    b"{}",
    b"{",
    b'{"resourceType":5}',
    b'{"resourceType":["Patient"]}',
    b'{"resourceType":"Patient","id":5}',
    b'{"resourceType":"Patient","name":5}',
    b'{"resourceType":"Patient","name":[[]]}',
    b'{"resourceType":"Patient","name":[null]}',
    b'{"resourceType":"Patient","active":"true"}',
    b'{"resourceType":"Patient","multipleBirthInteger":"5"}',
    b'{"resourceType":"Patient","multipleBirthInteger":NaN}',
    b'{"resourceType":"Patient","multipleBirthInteger":1e999999999}',
    b'{"resourceType":"Patient","active":true,"active":false}',
    b'{"resourceType":"patient"}',
    b'{"resourceType":"Patient","id":"' + b"x" * 65 + b'"}',
    b'{"resourceType":"Patient","extension":' * 70 + b"1" + b"}" * 70,
    b'{"resourceType":"Patient","gender":"\xff"}',
    b'{"resourceType":"Patient","gender":"Female"}',
    b"\xef\xbb\xbf{}",
]


@pytest.mark.parametrize("body", ILL)
def test_no_body_is_answered_with_500(client: TestClient, body: bytes) -> None:
    # microsoft/fhir-server#587, FHIRsmith#81
    put(client, PATIENT | {"id": "p"})
    for method, path in (
        ("POST", "/Patient"),
        ("PUT", "/Patient/p"),
        ("PATCH", "/Patient/p"),
        ("PUT", "/Patient?identifier=x"),
        ("PATCH", "/Patient?identifier=W-17"),
        ("POST", ""),
        ("POST", "/Patient/$validate"),
    ):
        kinds = [FHIR] if method != "PATCH" else [FHIR, {"content-type": "application/json-patch+json"}]
        for headers in kinds:
            answer = client.request(method, f"/fhir{path}", content=body, headers=headers)
            if body == b"[]" and method == "PATCH" and headers is not FHIR:
                assert answer.status_code == 200  # a patch of no operations
                continue
            assert valid(answer)["resourceType"] == "OperationOutcome"
            assert path.endswith("$validate") or 400 <= answer.status_code < 500, answer.text
    assert client.get("/fhir/Patient/p").headers["etag"] == 'W/"1"'


WIDEST = "".join(chr(one) for one in Random(7).choices(range(0x1F300, 0x1FA00), k=3000))  # four bytes each


@pytest.mark.parametrize(
    "resource",
    [
        {**PATIENT, "name": [{"family": WIDEST}]},
        {**PATIENT, "managingOrganization": {"identifier": {"system": f"u:{WIDEST}", "value": WIDEST}}},
        {**OBSERVATION, "code": {"coding": [{"system": f"u:{WIDEST}", "code": WIDEST}]}},
        {**OBSERVATION, "valueString": WIDEST},
        {**OBSERVATION, "valueQuantity": {"value": 1, "system": f"u:{WIDEST}", "code": WIDEST}},
        {
            **OBSERVATION,
            "effectiveDateTime": "2026",
            "code": {"coding": [{"system": f"u:{WIDEST}", "code": WIDEST}]},
            "valueQuantity": {"value": 1, "system": f"u:{WIDEST}", "code": WIDEST},
        },
    ],
)
def test_the_longest_letters_are_kept_and_found_on_both_databases(client: TestClient, resource: dict[str, Any]) -> None:
    """A row of an index in PostgreSQL holds 2,700 bytes, and a letter may have four (RFC 3629)."""
    type_ = str(resource["resourceType"])
    made = post(client, resource, type_)
    assert made.status_code == 201, made.text
    assert valid(client.get(f"/fhir/{type_}/{valid(made)['id']}")) == valid(made)
    name, value = ("name", WIDEST) if "name" in resource else ("_id", valid(made)["id"])
    assert valid(client.get(f"/fhir/{type_}", params={name: value}))["total"] == 1


NUL = "a\0b"
LONELY = {**PATIENT, "id": "p"}
NULS: list[tuple[str, str, Any]] = [
    ("GET", "Patient/a%00b", None),
    ("GET", "Patient/a%00b/_history", None),
    ("GET", "Patient/a%00b/_history/1", None),
    ("GET", "Patient/a%00b/$everything", None),
    ("DELETE", "Patient/a%00b", None),
    *(("GET", f"Patient?{name}=a%00b", None) for name in ("_id", "identifier", "name", "gender", "organization")),
    ("DELETE", "Patient?identifier=a%00b", None),
    ("PUT", "Patient?name=a%00b", PATIENT),
    ("POST", "Patient", {**PATIENT, "name": [{"family": NUL}]}),
    ("POST", "Patient", {**PATIENT, "identifier": [{"value": NUL}]}),
    ("POST", "Patient", {**PATIENT, "meta": {"profile": [f"u:{NUL}"]}}),
    ("POST", "Observation", {**OBSERVATION, "note": [{"text": NUL}]}),
    ("POST", "Patient", {**PATIENT, "managingOrganization": {"reference": "Organization?name=a%00b"}}),
    ("POST", "Patient/$validate", {**PATIENT, "name": [{"family": NUL}]}),
    ("PATCH", "Patient/p", [{"op": "add", "path": "/language", "value": NUL}]),
    *(
        ("POST", "", {"resourceType": "Bundle", "type": "transaction", "entry": [one]})
        for one in (
            part(None, "GET", "Patient?name=a%00b"),
            part(None, "GET", f"Patient/{NUL}"),
            part(None, "DELETE", "Patient?identifier=a%00b"),
            part(PATIENT, "POST", "Patient", ifNoneExist="identifier=a%00b"),
        )
    ),
]


@pytest.mark.parametrize(("method", "path", "body"), NULS)
def test_the_character_that_no_database_keeps_is_refused_wherever_it_comes(
    client: TestClient, method: str, path: str, body: Any
) -> None:
    """PostgreSQL keeps no U+0000 in a text (its manual, 8.3); what one database refuses, both must, and not with 500."""
    put(client, LONELY)
    kind = {"content-type": "application/json-patch+json"} if isinstance(body, list) else FHIR
    answer = client.request(method, f"/fhir/{path}".rstrip("/"), json=body, headers=kind)
    outcome = valid(answer)
    assert (answer.status_code, outcome["resourceType"]) == (400, "OperationOutcome"), answer.text
    assert "U+0000" in outcome["issue"][0]["diagnostics"]
    assert [one["response"]["etag"] for one in valid(client.get("/fhir/_history"))["entry"]] == ['W/"1"']


def test_the_same_six_letters_behind_a_backslash_are_a_text(client: TestClient) -> None:
    text = r'{"resourceType":"Patient","id":"p","name":[{"family":"a\\u0000b"}]}'
    made = client.put("/fhir/Patient/p", content=text, headers=FHIR)
    assert valid(made)["name"] == [{"family": r"a\u0000b"}]


def test_the_bedside_refuses_it_too(client: TestClient) -> None:
    opening = {"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"}
    episode = client.post("/episodes", json=opening).json()["episode"]
    for answer in (
        client.get("/episodes/a%00b"),
        client.post(f"/episodes/{episode}/entries", json={"kind": "fill", "id": NUL}),
        client.post(f"/episodes/{episode}/entries", json={NUL: 1}),
        client.post("/episodes", json=opening | {"facility": {"id": NUL}}),
    ):
        assert answer.status_code == 400
        assert "U+0000" in answer.json()["findings"][0]["sentence"]


@pytest.mark.parametrize("name", ["Łódź", "café", "北京"])
def test_letters_of_any_alphabet_are_found_and_are_conditions(client: TestClient, name: str) -> None:
    """Seen here: a condition read in the wrong encoding matches nothing, and a retry makes another."""
    known = {**PATIENT, "id": "p", "name": [{"family": name}], "identifier": [{"value": name}]}
    put(client, known)
    assert valid(client.get("/fhir/Patient", params={"name": name}))["total"] == 1
    condition = FHIR | {"if-none-exist": urlencode({"identifier": name})}
    assert client.post("/fhir/Patient", json=known, headers=condition).status_code == 200
    for kind in ("batch", "transaction"):
        asked = [
            part(None, "GET", f"Patient?name={name}"),
            part(known, "POST", "Patient", ifNoneExist=f"identifier={name}"),
            part({**known, "gender": "female"}, "PUT", f"Patient?identifier={name}"),
        ]
        answer = client.post("/fhir", json={"resourceType": "Bundle", "type": kind, "entry": asked}, headers=FHIR)
        entries = valid(answer)["entry"]
        assert entries[0]["resource"]["total"] == 1
        assert [one["response"]["status"][:3] for one in entries[1:]] == ["200", "200"]
    raw = {b"content-type": b"application/fhir+json", b"if-none-exist": b"identifier=" + name.encode()}
    refused(client.post("/fhir/Patient", json=known, headers=raw), 400, "value", "must be percent-encoded UTF-8")
    for wrong in ("identifier=caf%E9", "identifier=%ff"):
        refused(client.put(f"/fhir/Patient?{wrong}", json=known, headers=FHIR), 400, "value", "percent-encoded UTF-8")
        condition = FHIR | {"if-none-exist": wrong}
        refused(client.post("/fhir/Patient", json=known, headers=condition), 400, "value", "percent-encoded UTF-8")
    assert valid(client.get("/fhir/Patient?_summary=count"))["total"] == 1


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_a_stale_version_inside_a_bundle_is_refused_too(client: TestClient, method: str) -> None:
    # openemr#12378, microsoft/fhir-server#2877
    put(client, woman("a"))
    put(client, woman("a", gender="female"))
    patch = {"resourceType": "Parameters"}
    resource = {"PUT": woman("a", gender="male"), "PATCH": patch, "DELETE": None}[method]
    refused(send(client, part(resource, method, "Patient/a", ifMatch='W/"1"')), 412, "conflict", "current version is 2")
    assert valid(client.get("/fhir/Patient/a"))["gender"] == "female"


@pytest.mark.parametrize(
    ("resource", "says"),
    [
        # elements and types of R4B and R5, and of vendors, that R4 does not have
        ({**OBSERVATION, "valueReference": {"display": "x"}}, "valueReference"),
        ({**OBSERVATION, "instantiatesCanonical": "http://x.example"}, "instantiatesCanonical"),
        ({**OBSERVATION, "component": [{"code": {"text": "x"}, "valueAttachment": {}}]}, "valueAttachment"),
        ({**OBSERVATION, "meta": {"project": "x"}}, "project"),
        ({**OBSERVATION, "extension": [{"url": "u:x", "valueCodeableReference": {}}]}, "valueCodeableReference"),
        ({**OBSERVATION, "contained": [{"resourceType": "SubscriptionStatus"}]}, "resourceType R4 does not know"),
        ({"resourceType": "Encounter", "status": "completed", "class": {"code": "IMP"}}, "completed"),
        ({"resourceType": "Encounter", "status": "finished", "class": [{"text": "x"}]}, "class"),
    ],
)
def test_content_of_other_versions_is_not_taken_for_r4(client: TestClient, resource: dict[str, Any], says: str) -> None:
    answer = post(client, resource, str(resource["resourceType"]))
    assert answer.status_code == 422, answer.text
    assert any(says in issue["diagnostics"] for issue in valid(answer)["issue"])


def test_a_type_of_another_version_is_404(client: TestClient) -> None:
    for type_ in ("SubscriptionStatus", "ActorDefinition", "Transport", "BodySite", "DataElement"):
        assert type_ not in RESOURCE_TYPES
        refused(post(client, {"resourceType": type_}, type_), 404, "not-supported", "no resource type")


@pytest.mark.parametrize(
    "div",
    [
        DIV % "<script>x</script>",
        DIV % '<p onclick="x">x</p>',
        DIV % '<a href="javascript:x">x</a>',
        DIV % "<iframe/>",
        DIV % "<p>x",
        DIV % "<input/>",
        "<div>no namespace</div>",
        DIV % "",
        "text alone",
    ],
)
def test_a_narrative_that_could_do_something_is_refused(client: TestClient, div: str) -> None:
    answer = put(client, {**OBSERVATION, "text": {"status": "generated", "div": div}})
    assert (answer.status_code, valid(answer)["resourceType"]) == (422, "OperationOutcome"), answer.text


def test_a_narrative_for_people_is_kept(client: TestClient) -> None:
    div = DIV % '<p class="x">5 &lt; 6 <b>mL</b> <a href="https://x.example">x</a></p>'
    assert valid(put(client, {**OBSERVATION, "text": {"status": "generated", "div": div}}))["text"]["div"] == div


def test_nothing_stored_carries_a_temporary_id_or_a_null(client: TestClient) -> None:
    # fhirserver#34, LinuxForHealth#2769; fhirzeug#10, fastapi#1050
    episode = client.post("/episodes", json={"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"}).json()["episode"]
    client.post(f"/episodes/{episode}/entries", json=[entry("fill", "02:52", volume_ml=50)])
    from tests.intake import partner

    client.post("/fhir", content=partner.transaction(), headers=FHIR)
    everything = client.get("/fhir/_history?_count=500")
    assert "urn:uuid" not in everything.text
    assert valid(everything)["entry"]
    assert "null" not in everything.text
    assert parse(everything.content)["type"] == "history"
