"""What of R4's interactions stands in no other file here: heads, identity, conditions with tags, orders, proxies.

Source: http://hl7.org/fhir/R4/http.html, the section named at each test; RFC 9110 where HTTP itself is meant.
"""

from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from fhir.resources.R4B.terminologycapabilities import TerminologyCapabilities
from starlette.testclient import TestClient

from api import Settings, create_app
from api.clock import wall_clock
from fhirmod.episode import Protocol
from fhirmod.errors import UnavailableError
from fhirmod.intake import Intake
from fhirmod.store import Store, open_store

from .test_batch import GENDER, batch, binary, statuses
from .test_deleting import W17, writes
from .test_fhir import FHIR, PATIENT, put
from .test_transaction import ENCOUNTER, FIRST, SECOND, THIRD, part, patients, responses, send, woman
from .walked import refused, valid

BEGINNING = "http://testserver"
FHIRPATH = {
    "resourceType": "Parameters",
    "parameter": [
        {
            "name": "operation",
            "part": [
                {"name": "type", "valueCode": "add"},
                {"name": "path", "valueString": "Patient"},
                {"name": "name", "valueString": "gender"},
                {"name": "value", "valueCode": "female"},
            ],
        }
    ],
}


def test_a_head_is_its_get_without_the_body(client: TestClient) -> None:
    """#read: "a HEAD request ... the server returns the same headers"; RFC 9110, 9.3.2."""
    put(client, woman("p"))
    put(client, woman("gone"))
    client.delete("/fhir/Patient/gone")
    there = ("Patient/p", "Patient/p/_history/1", "Patient/p/_history", "Patient/_history", "_history", "metadata")
    for path in (*there, f"Patient?{W17}", "Patient/none", "Patient/gone", "Patient/p?_format=xml", "Nothing/p"):
        head, got = client.head(f"/fhir/{path}"), client.get(f"/fhir/{path}")
        assert (head.status_code, head.content) == (got.status_code, b""), path
        for name in ("etag", "last-modified", "content-type", "content-length"):
            assert head.headers.get(name) == got.headers.get(name), (path, name)
    assert client.head("/fhir/Patient/p", headers={"if-none-match": 'W/"1"'}).status_code == 304


def test_a_version_the_client_has_is_not_sent_again_by_its_number_either(client: TestClient) -> None:
    """#cread for a read; RFC 9110, 13.1.2 asks it of whatever has a tag."""
    put(client, woman("p"))
    put(client, woman("p", gender="female"))
    first = client.get("/fhir/Patient/p/_history/1", headers={"if-none-match": 'W/"1"'})
    assert (first.status_code, first.content, first.headers["etag"]) == (304, b"", 'W/"1"')
    assert client.get("/fhir/Patient/p/_history/1", headers={"if-none-match": 'W/"2"'}).status_code == 200
    client.delete("/fhir/Patient/p")
    for path in ("Patient/p", "Patient/p/_history/3"):  # what is gone is not "as you have it"
        assert client.get(f"/fhir/{path}", headers={"if-none-match": 'W/"3"'}).status_code == 410


@pytest.mark.parametrize(
    ("asked", "named"),
    [
        ("application/fhir+json; fhirVersion=4.0", True),
        ("text/html, application/fhir+json;fhirVersion=4.0.1;q=0.5", True),
        ("application/fhir+json", False),
        ("application/fhir+json; fhirVersion=3.0, */*;q=0.1", False),
    ],
)
def test_who_names_the_version_of_fhir_is_told_it(client: TestClient, asked: str, *, named: bool) -> None:
    """#version-parameter."""
    kind = "application/fhir+json; charset=utf-8" + ("; fhirVersion=4.0" if named else "")
    for path in ("Patient", "Patient/none"):
        answer = client.get(f"/fhir/{path}", headers={"accept": asked})
        valid(answer)
        assert answer.headers["content-type"] == kind


def test_another_version_is_refused_in_the_address_too(client: TestClient) -> None:
    """#parameters: _format overrides Accept, and is the same media type."""
    for version, status in (("4.0", 200), ("3.0", 406), ("5.0", 406)):
        answer = client.get("/fhir/Patient", params={"_format": f"application/fhir+json; fhirVersion={version}"})
        assert (answer.status_code, valid(answer)["resourceType"] == "Bundle") == (status, status == 200)


def test_the_identity_that_a_created_resource_brings_is_not_kept(client: TestClient) -> None:
    """#create: the id, versionId and lastUpdated that were sent are ignored."""
    brought = {"versionId": "99", "lastUpdated": "1999-01-01T00:00:00Z", "tag": [{"code": "kept"}]}
    made = client.post("/fhir/Patient", json={**PATIENT, "id": "mine", "meta": brought}, headers=FHIR)
    resource = valid(made)
    assert made.status_code == 201
    assert resource["id"] != "mine"
    assert (resource["meta"]["versionId"], resource["meta"]["tag"]) == ("1", [{"code": "kept"}])
    assert resource["meta"]["lastUpdated"].startswith("2026-03-02T")
    assert client.get("/fhir/Patient/mine").status_code == 404


@pytest.mark.parametrize("way", ["header", "address"])
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "transaction"])
def test_nothing_is_written_whose_answer_the_client_would_not_take(client: TestClient, method: str, way: str) -> None:
    """RFC 9110, 15.5.7: a 406 says that nothing was done."""
    put(client, woman("p"))
    query, headers = ("", {"accept": "application/fhir+xml"}) if way == "header" else ("?_format=xml", {})
    path = {"POST": "/fhir/Patient", "transaction": "/fhir"}.get(method, "/fhir/Patient/p")
    body, kind = (None, FHIR) if method in ("POST", "transaction") else writes(method)
    sent: Any = {"content": body}
    if method == "POST":
        sent = {"json": PATIENT}
    elif method == "transaction":
        sent = {"json": {"resourceType": "Bundle", "type": "transaction", "entry": [part(PATIENT, "POST", "Patient")]}}
    answer = client.request("POST" if method == "transaction" else method, path + query, headers=kind | headers, **sent)
    refused(answer, 406, "not-supported", "application/fhir+json")
    assert len(valid(client.get("/fhir/_history"))["entry"]) == 1


def test_a_conditional_create_that_finds_one_writes_nothing_and_says_where_it_is(client: TestClient) -> None:
    """#ccreate: one match, "the server ignores the post and returns 200 OK"."""
    put(client, woman("p"))
    put(client, woman("p", gender="female"))
    other = {**PATIENT, "gender": "male"}
    found = client.post("/fhir/Patient", json=other, headers=FHIR | {"if-none-exist": W17})
    assert (found.status_code, found.headers["location"]) == (200, f"{BEGINNING}/fhir/Patient/p/_history/2")
    assert (found.headers["etag"], valid(found)["gender"]) == ('W/"2"', "female")
    assert len(valid(client.get("/fhir/_history"))["entry"]) == 2


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_a_condition_and_a_tag_must_both_hold(client: TestClient, method: str) -> None:
    """#concurrency, #cond-update: If-Match is about the version of what the condition finds."""
    put(client, woman("p"))
    put(client, woman("p", birthDate="1990"))
    body, headers = writes(method)
    stale = client.request(method, f"/fhir/Patient?{W17}", content=body, headers=headers | {"if-match": 'W/"1"'})
    refused(stale, 412, "conflict", "the current version is 2")
    assert valid(client.get("/fhir/Patient/p"))["birthDate"] == "1990"
    held = client.request(method, f"/fhir/Patient?{W17}", content=body, headers=headers | {"if-match": 'W/"2"'})
    assert held.is_success
    assert client.get("/fhir/Patient/p/_history/3").status_code == (410 if method == "DELETE" else 200)


@pytest.mark.parametrize("address", ["Patient/a/_history", "Patient/_history", "_history"])
def test_each_history_is_chosen_by_time_and_paged(client: TestClient, address: str) -> None:
    """#history: _count, _since and _at on instance, type and system; one second between requests here."""
    for gender in ("unknown", "female"):
        put(client, woman("a", gender=gender))
    client.delete("/fhir/Patient/a")

    def told(query: str) -> list[tuple[str, str]]:
        entries = valid(client.get(f"/fhir/{address}{query}")).get("entry", ())
        return [(one["request"]["method"], one["response"]["etag"]) for one in entries]

    third, second, first = ("DELETE", 'W/"3"'), ("PUT", 'W/"2"'), ("PUT", 'W/"1"')
    assert told("") == [third, second, first]
    assert told("?_since=2026-03-02T00:00:01Z") == [third, second]
    assert told("?_since=2026-03-02T00:00:02Z") == [third]
    assert told("?_at=2026-03-02T00:00:00Z") == [first]
    assert told("?_at=2026-03-02T00:00:01Z") == [second]
    assert told("?_count=2") == [third, second]
    page = valid(client.get(f"/fhir/{address}?_count=2&_since=2026-03-01T00:00:00Z"))
    links = {one["relation"]: one["url"].removeprefix(BEGINNING) for one in page["link"]}
    put(client, woman("a", gender="other"))
    last = valid(client.get(links["next"]))
    assert [one["response"]["etag"] for one in last["entry"]] == ['W/"1"']
    assert [one["relation"] for one in last["link"]] == ["self"]
    assert "_since=2026-03-01" in last["link"][0]["url"]


@pytest.mark.parametrize("mode", ["full", "normative"])
def test_the_statement_is_given_in_full_and_where_what_is_normative_is_asked(client: TestClient, mode: str) -> None:
    """#capabilities: "Servers MAY ignore the mode parameter and return a CapabilityStatement resource"."""
    statement = valid(client.get(f"/fhir/metadata?mode={mode}"))
    assert (statement["resourceType"], statement["rest"][0]["mode"]) == ("CapabilityStatement", "server")
    assert (statement["kind"], statement["fhirVersion"]) == ("instance", "4.0.1")
    assert statement == valid(client.get("/fhir/metadata"))


def test_what_is_known_of_terminology_is_told_and_true(client: TestClient) -> None:
    """#capabilities (terminology: "information about the terminologies supported by the server"); the shape is judged by
    fhir.resources' own TerminologyCapabilities."""
    told = valid(client.get("/fhir/metadata?mode=terminology"))
    TerminologyCapabilities.model_validate(told)
    systems = {one["uri"] for one in told["codeSystem"]}
    assert "http://hl7.org/fhir/administrative-gender" in systems
    assert not {"http://loinc.org", "http://snomed.info/sct"} & systems
    for uri in sorted(systems)[::20]:
        query = urlencode({"url": uri, "code": "no-code-of-any-system"})
        judged = valid(client.get(f"/fhir/CodeSystem/$validate-code?{query}"))["parameter"]
        assert {"name": "result", "valueBoolean": False} in judged, uri
    refused(client.get("/fhir/metadata?mode=nothing-known"), 400, "value", "full or normative or terminology")


@pytest.mark.parametrize("mode", ["full", "terminology"])
def test_what_the_service_does_is_not_sent_again_to_who_has_it(client: TestClient, mode: str) -> None:
    """#capabilities ("An ETag header SHOULD be returned ... SHALL change if the returned resource
    changes")."""
    whole = client.get(f"/fhir/metadata?mode={mode}")
    tag = whole.headers["etag"]
    assert tag.startswith('W/"')
    again = client.get(f"/fhir/metadata?mode={mode}", headers={"if-none-match": f'W/"other", {tag}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert client.get(f"/fhir/metadata?mode={mode}", headers={"if-none-match": 'W/"other"'}).status_code == 200
    elsewhere = client.get(f"/fhir/metadata?mode={mode}", headers={"host": "elsewhere.example"})
    assert elsewhere.headers["etag"] != tag  # it names its own address


def test_an_operation_that_is_none_is_said_to_be_none(client: TestClient) -> None:
    """#general (404 not found for what is no resource or operation): not that a resource of such an id was never here."""
    for method, address in (
        ("GET", "/Patient/$everything"), ("POST", "/Patient/$nothing"), ("GET", "/$nothing"), ("POST", "/$validate"),
        ("DELETE", "/Patient/$nothing"),
    ):  # fmt: skip
        refused(client.request(method, f"/fhir{address}"), 404, "not-supported", "There is no operation $")
    refused(
        client.post("/fhir/_search", data={"_type": "Patient"}), 404, "not-supported", "A search is of one type here"
    )


@pytest.mark.parametrize(
    "address", ["/fhir/Patient/%ff", "/fhir/Patient/a%C3/_history", "/fhir/%ff", "/episodes/%ff/state"]
)
def test_an_address_in_another_encoding_is_refused_not_guessed(client: TestClient, address: str) -> None:
    """Source: RFC 3986, 2.5 (UTF-8, percent-encoded)."""
    answer = client.get(address)
    assert answer.status_code == 400
    assert "must be percent-encoded UTF-8" in answer.text
    if address.startswith("/fhir"):
        refused(answer, 400, "value", "must be percent-encoded UTF-8")


def test_who_cannot_be_served_now_is_told_when_to_come_again(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 9110, 15.6.4 and 10.2.3; the issue type `transient` is R4's."""

    def busy(*_: object) -> None:
        raise UnavailableError("The database does not answer; send this again in a moment.")

    monkeypatch.setattr(Store, "read", busy)
    monkeypatch.setattr(Store, "write", busy)
    for answer in (client.get("/fhir/Patient/p"), client.post("/fhir/Patient", json=PATIENT, headers=FHIR)):
        refused(answer, 503, "transient", "send this again")
        assert answer.headers["retry-after"] == "1"


def test_behind_a_proxy_every_address_is_the_one_that_clients_use(tmp_path: Path) -> None:
    """#root: the service base is where clients reach it; Location, links and fullUrls begin with it."""
    base = "https://records.example/ward-7/fhir"
    settings = Settings(db=tmp_path / "r.db", base_url="https://records.example/ward-7/")
    address = f"sqlite:///{tmp_path / 'r.db'}"
    with (
        open_store(address) as store,
        TestClient(create_app(settings, Intake(store, Protocol.default()), wall_clock())) as client,
    ):
        made = client.post("/fhir/Patient", json=PATIENT, headers=FHIR)
        assert made.headers["location"].startswith(f"{base}/Patient/")
        id_ = valid(made)["id"]
        visit = {**ENCOUNTER, "id": "v", "subject": {"reference": f"{base}/Patient/{id_}"}}
        sent = part(visit, "PUT", f"{base}/Encounter/v")
        [told] = responses(send(client, sent))
        assert told["location"] == f"{base}/Encounter/v/_history/1"
        assert valid(client.get("/fhir/Encounter/v"))["subject"]["reference"] == f"Patient/{id_}"
        for address in (
            "Patient?_count=1",
            f"Encounter?subject={base}/Patient/{id_}",
            "Patient/_history",
            "_history",
        ):
            page = valid(client.get(f"/fhir/{address}"))
            assert all(one["url"].startswith(base) for one in page["link"])
            assert all(one["fullUrl"].startswith(f"{base}/") for one in page["entry"])
        assert valid(client.get("/fhir/metadata"))["implementation"]["url"] == base


def test_a_batch_deletes_then_creates_then_changes_then_reads(client: TestClient) -> None:
    """#trules, the order of a transaction, which #brules gives a batch too; answers keep the order of the entries."""
    put(client, woman("old"))
    put(client, {"resourceType": "Patient", "id": "c"})
    entries = batch(
        client,
        part(None, "GET", f"Patient?{W17}"),
        part(None, "HEAD", "Patient/c"),
        part(FHIRPATH, "PATCH", "Patient/c", ifMatch='W/"1"'),
        part(woman("b"), "PUT", "Patient/b"),
        part(PATIENT, "POST", "Patient", ifNoneExist=W17),
        part(None, "DELETE", f"Patient?{W17}"),
    )
    assert statuses(entries) == ["200", "200", "200", "201", "201", "204"]  # deleted first, so the create found nobody
    assert entries[0]["resource"]["total"] == 2  # and read last
    assert entries[1]["response"]["etag"] == 'W/"2"'


@pytest.mark.parametrize("kind", ["batch", "transaction"])
@pytest.mark.parametrize("method", ["PUT", "JSON Patch", "FHIRPath Patch", "DELETE"])
def test_a_stale_tag_of_an_entry_is_412_in_either_kind_of_bundle(client: TestClient, kind: str, method: str) -> None:
    """#concurrency; bundle.html: request.ifMatch. Seen elsewhere: openemr#12378, microsoft/fhir-server#2877."""
    put(client, woman("p"))
    put(client, woman("p", birthDate="1990"))
    resource = {"PUT": woman("p"), "JSON Patch": binary(GENDER), "FHIRPath Patch": FHIRPATH, "DELETE": None}[method]
    for tag, written in (('W/"1"', False), ('W/"2"', True)):
        one = part(resource, "PATCH" if "Patch" in method else method, "Patient/p", ifMatch=tag)
        if kind == "batch":
            [entry] = batch(client, one)
            assert entry["response"]["status"][:3] == ("412" if not written else "204" if method == "DELETE" else "200")
        else:
            answer = send(client, one)
            assert answer.status_code == (200 if written else 412), answer.text
        assert (client.get("/fhir/Patient/p/_history/3").status_code != 404) is written


def test_a_temporary_id_is_replaced_in_uris_and_pictures_and_not_in_identifiers(client: TestClient) -> None:
    """#trules: links in elements of type uri, url, oid, uuid and in <a href> and <img src> of the narrative."""
    picture, own = THIRD, {"system": "urn:ietf:rfc:3986", "value": FIRST}
    div = (
        f'<div xmlns="http://www.w3.org/1999/xhtml"><p><img src="{picture}" alt="x"/><a href="{FIRST}">x</a></p></div>'
    )
    visit = {
        **ENCOUNTER,
        "identifier": [own],
        "text": {"status": "generated", "div": div},
        "extension": [
            {"url": "urn:oid:2.999.7", "valueUri": FIRST},
            {"url": "urn:oid:2.999.8", "valueUrl": picture},
            {"url": "urn:oid:2.999.9", "valueString": FIRST},
        ],
        "subject": {"reference": FIRST},
    }
    image = {"resourceType": "Binary", "contentType": "image/png", "data": "AAAA"}
    listed = responses(
        send(
            client,
            part(PATIENT, "POST", "Patient", FIRST),
            part(visit, "POST", "Encounter", SECOND),
            part(image, "POST", "Binary", picture),
        )
    )
    patient, _, binary_ = (one["location"].removeprefix(f"{BEGINNING}/fhir/").split("/_history")[0] for one in listed)
    stored = valid(client.get(listed[1]["location"]))
    assert f'src="{binary_}"' in stored["text"]["div"]
    assert f'href="{patient}"' in stored["text"]["div"]
    assert [
        one[name] for one, name in zip(stored["extension"], ("valueUri", "valueUrl", "valueString"), strict=True)
    ] == [
        patient,
        binary_,
        FIRST,  # a text is no link
    ]
    assert stored["identifier"] == [own]  # the document's own number, whatever it looks like


def test_pages_keep_every_parameter_and_the_last_full_page_is_the_last(client: TestClient) -> None:
    """search.html#paging; bundle.html#searchset. Seen elsewhere: hapi-fhir#5599, #5237, #981."""
    for number in range(4):
        put(client, woman(f"p{number}", gender="female", birthDate=f"199{number}"))
    query = f"gender=female&birthdate=ge1990&{W17}&gender:not=male&_elements=gender&_total=accurate&_revinclude=Encounter:patient"
    put(client, {**ENCOUNTER, "id": "v", "subject": {"reference": "Patient/p0"}})
    first = client.get(f"/fhir/Patient?{query}&_count=2")
    page, seen, pages = valid(first), [], 0
    while True:
        pages += 1
        links = {one["relation"]: one["url"] for one in page["link"]}
        for said in ("gender=female", "birthdate=ge1990", "identifier=urn", "gender%3Anot=male", "_elements=gender"):
            assert all(said in url for url in links.values()), (said, links)
        assert all("_total=accurate" in url and "_revinclude=" in url and "_count=2" in url for url in links.values())
        assert page["total"] == 4
        matches = [one["resource"] for one in page["entry"] if one["search"]["mode"] == "match"]
        assert len(matches) == 2
        assert all(one["meta"]["tag"][0]["code"] == "SUBSETTED" for one in matches)
        seen += [one["id"] for one in matches]
        if "next" not in links:
            break
        page = valid(client.get(links["next"].removeprefix(BEGINNING)))
    assert (seen, pages) == (["p0", "p1", "p2", "p3"], 2)
    none = client.get("/fhir/Patient?gender=other")
    assert (none.status_code, valid(none)["total"], "entry" in valid(none)) == (200, 0, False)


@pytest.mark.parametrize("way", ["POST", "PUT", "conditional PUT", "batch", "transaction"])
def test_a_part_of_a_resource_is_written_back_in_no_way(client: TestClient, way: str) -> None:
    """search.html#summary: a client is not to take a SUBSETTED resource for the whole; written back, the rest is lost."""
    put(client, woman("p", gender="female"))
    subset = valid(client.get("/fhir/Patient/p?_elements=identifier"))
    if way == "POST":
        answer = client.post("/fhir/Patient", json=subset, headers=FHIR)
    elif way == "PUT":
        answer = put(client, subset)
    elif way == "conditional PUT":
        answer = client.put(f"/fhir/Patient?{W17}", json=subset, headers=FHIR)
    elif way == "transaction":
        answer = send(client, part(subset, "PUT", "Patient/p"))
    else:
        [entry] = batch(client, part(subset, "PUT", "Patient/p"))
        assert (entry["response"]["status"][:3], entry["response"]["outcome"]["issue"][0]["code"]) == (
            "422",
            "business-rule",
        )
        return
    refused(answer, 422, "business-rule", "is tagged SUBSETTED")
    assert patients(client) == 1


@pytest.mark.parametrize(
    ("method", "path", "body", "place"),
    [
        ("POST", "Patient", {**PATIENT, "gender": "woman"}, "Patient.gender"),
        ("POST", "Patient", {**PATIENT, "contact": [{"name": {"family": 5}}]}, "Patient.contact[0].name.family"),
        ("PUT", "Patient/p", {**PATIENT, "id": "q"}, "Patient.id"),
        ("GET", "Patient?birthdate=x", None, "birthdate"),
        ("GET", "Patient?_count=x", None, "_count"),
        ("GET", "Patient/_history?_since=x", None, "_since"),
        ("GET", "Patient/none", None, "Patient"),
        ("PUT", "Patient?name=", PATIENT, "condition"),
        ("POST", "", {"resourceType": "Bundle", "type": "batch", "entry": 5}, ""),
    ],
)
def test_an_error_names_the_element_or_parameter_that_is_wrong(
    client: TestClient, method: str, path: str, body: Any, place: str
) -> None:
    """operationoutcome.html: issue.expression."""
    answer = client.request(method, f"/fhir/{path}".rstrip("/"), json=body, headers=FHIR)
    assert 400 <= answer.status_code < 500
    issue = valid(answer)["issue"][0]
    assert not place or issue["expression"] == [place], issue
    assert issue["diagnostics"] == issue["details"]["text"]


def test_a_type_may_be_written_with_a_slash_behind_it(client: TestClient) -> None:
    """#search and #cdelete, which is written DELETE [base]/[type]/?[search parameters] on R4's page."""
    made = client.post("/fhir/Patient/", json=PATIENT, headers=FHIR)
    assert made.status_code == 201
    assert valid(client.get(f"/fhir/Patient/?{W17}"))["total"] == 1
    assert client.delete(f"/fhir/Patient/?{W17}").status_code == 204
    assert client.get(f"/fhir/Patient/{valid(made)['id']}").status_code == 410
    refused(client.get("/fhir/Nothing/"), 404, "not-supported", "There is no resource type")


def test_the_name_that_a_client_gives_its_requests_comes_back(client: TestClient) -> None:
    """#custom (X-Correlation-Id: "A client assigned request id echoed back in the response")."""
    for path in ("/fhir/metadata", "/fhir/Patient/none", "/nowhere", "/episodes"):
        answer = client.get(path, headers={"x-correlation-id": "case-12"})
        assert answer.headers["x-correlation-id"] == "case-12"
        assert answer.headers["x-request-id"] != "case-12"
    assert "x-correlation-id" not in client.get("/health", headers={"x-correlation-id": "two words"}).headers
