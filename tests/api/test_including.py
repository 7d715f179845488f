"""What a search brings along, searches by form, and totals. Expected: HL7 FHIR R4 search.html#revinclude, #total, http.html#search."""

from typing import Any, cast

import pytest
from starlette.testclient import TestClient

from api.fhir.capability import statement
from api.fhir.including import MOST_INCLUDED, Include, Included, read_include
from fhirmod.exchange import PUBLISHED_TYPES
from fhirmod.r4 import dump
from fhirmod.store import Access, Reader, Version

from .test_fhir import FHIR
from .test_search import STRICT, keep, observed
from .walked import refused, valid

[REST] = statement("http://testserver/fhir")["rest"]
WRITTEN = [one for one in REST["resource"] if one["type"] not in PUBLISHED_TYPES]
FORM = {"content-type": "application/x-www-form-urlencoded"}


def family(client: TestClient) -> None:
    """Keep two women of one clinic, one with two results, one of which has the other as its member."""
    keep(client, "Organization", region={"name": "Region"}, clinic={"name": "A", "partOf": to("Organization/region")})
    keep(client, "Patient", eve={"managingOrganization": to("Organization/clinic")}, ada={})
    keep(client, "Observation", pulse=observed(subject=to("Patient/eve")))
    panel = observed(subject=to("Patient/eve"), hasMember=[to("Observation/pulse"), to("Observation/never-here")])
    keep(client, "Observation", panel=panel, hers=observed(subject=to("http://testserver/fhir/Patient/ada")))


def to(text: str) -> dict[str, Any]:
    return {"reference": text}


def brought(client: TestClient, query: str) -> tuple[str, str]:
    """Return the ids of matches and of what is brought along; `self` gives the same answer again."""
    answer = valid(client.get(f"/fhir/{query}", headers=STRICT))
    modes = [(one["search"]["mode"], one["resource"]["id"], one["fullUrl"]) for one in answer.get("entry", ())]
    assert all(url.endswith(f"/{id_}") and url.startswith("http://testserver/fhir/") for _, id_, url in modes)
    again = client.get(answer["link"][0]["url"].removeprefix("http://testserver"))
    assert valid(again).get("entry") == answer.get("entry")
    matches = [id_ for mode, id_, _ in modes if mode == "match"]
    assert answer["total"] == len(matches)
    return " ".join(matches), " ".join(id_ for mode, id_, _ in modes if mode == "include")


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("Observation?_id=pulse&_include=Observation:subject", ("pulse", "eve")),
        ("Observation?_id=pulse&_include=Observation:patient", ("pulse", "eve")),
        ("Observation?_id=hers&_include=Observation:subject", ("hers", "ada")),  # an own address, said in full
        ("Observation?_id=pulse&_include=Observation:subject:Group", ("pulse", "")),
        ("Observation?_id=pulse,panel&_include=Observation:subject:Patient", ("pulse panel", "eve")),  # once
        ("Observation?_id=panel&_include=Observation:has-member", ("panel", "pulse")),  # what is not here is left out
        ("Observation?_id=pulse,panel&_include=Observation:has-member", ("pulse panel", "")),  # a match is no include
        ("Observation?_id=panel&_include=Observation:*", ("panel", "pulse eve")),
        ("Observation?_id=pulse&_include=Patient:organization", ("pulse", "")),  # no match is a Patient
        (
            "Observation?_id=pulse&_include=Observation:subject&_include:iterate=Patient:organization",
            ("pulse", "eve clinic"),
        ),
        (
            "Patient?_id=eve&_include=Patient:organization&_include:iterate=Organization:partof",
            ("eve", "clinic region"),
        ),
        ("Patient?_id=eve&_revinclude=Observation:subject", ("eve", "pulse panel")),
        ("Patient?_id=eve,ada&_revinclude=Observation:patient", ("eve ada", "pulse panel hers")),
        (
            (
                "Organization?_id=region&_revinclude:iterate=Organization:partof&_revinclude:iterate=Patient:organization&"
                "_revinclude:iterate=Observation:subject"
            ),
            ("region", "clinic eve pulse panel"),
        ),
        ("Patient?_id=nobody&_revinclude=Observation:subject", ("", "")),
    ],
)
def test_what_is_referred_to_and_what_refers_is_brought_along(
    client: TestClient, query: str, expected: tuple[str, str]
) -> None:
    family(client)
    assert tuple(" ".join(sorted(one.split())) for one in brought(client, query)) == tuple(
        " ".join(sorted(one.split())) for one in expected
    )


def test_what_was_deleted_is_not_brought_along_and_the_newest_version_is(client: TestClient) -> None:
    family(client)
    assert client.delete("/fhir/Observation/panel").status_code == 204
    keep(client, "Observation", pulse=observed(subject={"reference": "Patient/ada"}))
    assert brought(client, "Patient?_id=eve,ada&_revinclude=Observation:subject") == ("eve ada", "pulse hers")


def test_includes_stand_on_every_page_for_its_own_matches(client: TestClient) -> None:
    family(client)
    first = valid(client.get("/fhir/Observation?_count=2&_include=Observation:subject"))
    [following] = [one["url"] for one in first["link"] if one["relation"] == "next"]
    second = valid(client.get(following.removeprefix("http://testserver")))
    ids = [[one["resource"]["id"] for one in page["entry"]] for page in (first, second)]
    assert ids == [["pulse", "panel", "eve"], ["hers", "ada"]]
    assert (first["total"], second["total"]) == (3, 3)


def test_an_unknown_reference_is_refused_if_strict_and_else_not_in_self(client: TestClient) -> None:
    for value in ("Observation:code", "Nothing:subject", "Observation:subject:Flag", "Observation", "x"):
        query = f"/fhir/Observation?_include={value}"
        refused(client.get(query, headers=STRICT), 400, "not-supported", "There is no reference")
        assert "_include" not in valid(client.get(query))["link"][0]["url"]


def test_more_than_is_brought_along_at_once_is_refused_and_nothing_left_out(client: TestClient) -> None:
    keep(client, "Patient", eve={})
    entry = {"resource": {"resourceType": "Observation", **observed(subject=to("Patient/eve"))}}
    asked = {**entry, "request": {"method": "POST", "url": "Observation"}}
    for some in (MOST_INCLUDED // 2, MOST_INCLUDED // 2 + 1):
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [asked] * some}
        assert client.post("/fhir", json=bundle, headers=FHIR).status_code == 200
    query = "/fhir/Patient?_id=eve&_revinclude=Observation:subject"
    refused(client.get(query), 413, "too-long", f"more than {MOST_INCLUDED} resources")


@pytest.mark.parametrize("claim", WRITTEN, ids=lambda one: str(one["type"]))
def test_every_include_that_is_claimed_is_taken(client: TestClient, claim: dict[str, Any]) -> None:
    for name, claimed in (
        ("_include", claim.get("searchInclude", ())),
        ("_revinclude", claim.get("searchRevInclude", ())),
    ):
        for begin in range(0, len(claimed), 40):
            some = claimed[begin : begin + 40]
            query = "&".join(f"{name}={value}" for value in some)
            answer = valid(client.get(f"/fhir/{claim['type']}?_id=x&{query}", headers=STRICT))
            assert answer["link"][0]["url"].count(f"{name}=") == len(some)


def test_the_number_of_questions_depends_on_the_steps_and_not_on_the_matches(client: TestClient) -> None:
    parts: Any = client.app.state.parts  # type: ignore[attr-defined]
    counts = []
    for many in (1, 30):
        for number in range(many):
            keep(client, "Patient", **{f"p{number}": {}})
            keep(client, "Observation", **{f"o{number}": observed(subject=to(f"Patient/p{number}"))})
        include = read_include("_include", "Observation:subject")
        assert isinstance(include, Include)

        def count(reader: Any, include: Any = include) -> int:
            page = reader.search(parts.request().access, "Observation", count=50)
            asked: list[int] = []
            plain = reader.get_many

            def counted(access: Any, keys: Any) -> Any:
                asked.append(len(keys))
                return plain(access, keys)

            reader.get_many = counted
            try:
                found = Included(reader, parts.request().access, "").of(page.versions, [include])
            finally:
                del reader.get_many
            assert len(found) == len(page.versions)
            return len(asked)

        counts.append(parts.intake.store.read(count))
    assert counts == [1, 1]


def test_a_search_by_form_is_the_same_search(client: TestClient) -> None:
    family(client)
    by_get = valid(client.get("/fhir/Observation?patient=eve&_include=Observation:subject&_count=1"))
    for address, form in (
        ("", "patient=eve&_include=Observation%3Asubject&_count=1"),
        ("?patient=eve", "_include=Observation%3Asubject&_count=1"),
        ("?patient=eve&_include=Observation:subject&_count=1", ""),
    ):
        answer = client.post(f"/fhir/Observation/_search{address}", content=form, headers=FORM)
        assert answer.status_code == 200
        assert valid(answer) == by_get


def test_a_form_that_is_none_is_refused(client: TestClient) -> None:
    address = "/fhir/Observation/_search"
    refused(client.post(address, content=b"{}", headers=FHIR), 415, "not-supported", "must be a form")
    refused(client.post(address, content="patient=é".encode(), headers=FORM), 400, "value", "percent-encoded")
    refused(client.post("/fhir/Nothing/_search", content="", headers=FORM), 404, "not-supported", "no resource type")
    refused(client.get(address), 405, "not-supported", "GET is not for this address")


def test_a_total_is_counted_unless_nobody_wants_it(client: TestClient) -> None:
    family(client)
    for said in ("", "&_total=accurate", "&_total=estimate"):
        assert valid(client.get(f"/fhir/Observation?_count=2{said}"))["total"] == 3
    page = valid(client.get("/fhir/Observation?_count=2&_total=none"))
    assert "total" not in page
    [following] = [one["url"] for one in page["link"] if one["relation"] == "next"]
    last = valid(client.get(following.removeprefix("http://testserver")))
    assert "total" not in last
    assert [one["resource"]["id"] for one in last["entry"]] == ["hers"]
    assert valid(client.get("/fhir/Observation?_count=0&_total=none"))["total"] == 3  # the count is what is asked for
    refused(client.get("/fhir/Observation?_total=maybe"), 400, "value", "must be none or estimate or accurate")


def test_elements_are_those_of_the_matches_and_a_summary_is_of_all(client: TestClient) -> None:
    """Source: search.html#elements ("The list of elements does not apply to included resources")."""
    woman = {"gender": "female", "birthDate": "1990-02-03", "maritalStatus": {"text": "not known"}}
    keep(client, "Patient", her=woman)
    keep(client, "Observation", o=observed(subject=to("Patient/her")))
    for query, kept, tagged in (
        ("_elements=subject", {*woman}, False),
        ("_summary=true", {*woman} - {"maritalStatus"}, True),
    ):
        page = valid(client.get(f"/fhir/Observation?_include=Observation:subject&{query}"))
        match, brought = (one["resource"] for one in page["entry"])
        assert "value" not in str([*match])
        assert set(brought) & set(woman) == kept
        assert ("SUBSETTED" in str(brought), "SUBSETTED" in str(match)) == (tagged, True)


def test_an_include_follows_only_to_types_that_its_parameter_leads_to() -> None:
    """Who asks was judged by these types (R4's targets of Flag.author), so a stray reference brings nothing of another."""
    asked: list[Any] = []

    class Kept:
        def get_many(self, _: Any, keys: Any) -> dict[Any, Any]:
            asked.extend(keys)
            return {}

    include = read_include("_include", "Flag:author")
    assert isinstance(include, Include)
    for author in ("Group/g", "Practitioner/p"):
        body = dump({"resourceType": "Flag", "id": "f", "author": to(author)})
        version = Version("Flag", "f", 1, "2026-03-02T10:00:00.000Z", "asserted", "PUT", body, None)
        Included(cast(Reader, Kept()), Access.whole("test"), "").of([version], [include])
    assert asked == [("Practitioner", "p")]
