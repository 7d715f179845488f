"""What a search says of the parameters that it does not apply, and what the links of a page carry on.

Source: http://hl7.org/fhir/R4/search.html#errors ("servers SHOULD ignore unknown or unsupported parameters ... the
server SHALL [say in self] the parameters that were actually used"), bundle.html#searchset (mode outcome: "an
OperationOutcome that provides additional information about the processing of a search"; total counts matches only).
"""

from typing import Any

import pytest
from starlette.testclient import TestClient

from .test_fhir import PATIENT, put
from .walked import refused, valid

LISTED = {"_text", "nickname", "_filter", "unknown.name", "_include", "_revinclude", "_sort"}
QUERY = (
    "_text=eve&nickname=eve&_filter=name eq eve&unknown.name=eve&_include=Patient:nothing&_revinclude=*&_sort=nothing"
)


@pytest.fixture
def three(client: TestClient) -> TestClient:
    for number in range(3):
        put(client, PATIENT | {"id": f"p{number}"})
    return client


def links(page: dict[str, Any]) -> dict[str, str]:
    return {one["relation"]: one["url"].removeprefix("http://testserver") for one in page["link"]}


def told(page: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the issues of the one outcome of a page, which stands behind everything else."""
    *rest, last = page["entry"]
    assert last["search"] == {"mode": "outcome"}
    assert "outcome" not in [one["search"]["mode"] for one in rest]
    assert last["resource"]["resourceType"] == "OperationOutcome"
    return list(last["resource"]["issue"])


def test_each_page_names_each_parameter_that_was_not_applied_and_counts_none(three: TestClient) -> None:
    at, seen = f"/fhir/Patient?_count=2&_total=accurate&active=true&{QUERY}", []
    put(three, PATIENT | {"id": "no", "active": False})
    for number in range(3):
        put(three, PATIENT | {"id": f"p{number}", "active": True})
    while at:
        page = valid(three.get(at))
        issues = told(page)
        assert {one["expression"][0] for one in issues} == LISTED
        assert {(one["severity"], one["code"]) for one in issues} == {("warning", "not-supported")}
        assert page["total"] == 3
        assert not any(word in links(page)["self"] for word in LISTED)
        assert "active=true" in links(page)["self"]
        seen += [one["resource"]["id"] for one in page["entry"][:-1]]
        at = links(page).get("next", "")
    assert seen == ["p0", "p1", "p2"]


def test_what_was_not_applied_is_told_where_nothing_matches_too(three: TestClient) -> None:
    page = valid(three.get("/fhir/Patient?_id=none&nickname=eve"))
    assert [one["expression"] for one in told(page)] == [["nickname"]]
    assert page["total"] == 0


def test_a_count_has_no_entries(three: TestClient) -> None:
    """Source: search.html#count (_count=0 is _summary=count: "with no entries, and no prev/next/last links")."""
    for asked in ("_summary=count", "_count=0"):
        page = valid(three.get(f"/fhir/Patient?{asked}&nickname=eve&_include=Patient:organization"))
        assert ("entry" in page, page["total"], [*links(page)]) == (False, 3, ["self"])
        assert "nickname" not in links(page)["self"]


@pytest.mark.parametrize(
    ("query", "code", "says"),
    [
        ("_query=current-high-risk", "not-supported", "There are no named queries here"),
        ("_include:recurse=Patient:organization", "not-supported", "has a modifier that it has not here"),
        ("_sort:desc=name", "not-supported", "has a modifier"),
        ("_count:exact=1", "not-supported", "has a modifier"),
        ("_include=Patient:organization&_summary=text", "value", "does not go with _summary=text"),
        ("_summary=text&_revinclude=Observation:patient", "value", "does not go with _summary=text"),
    ],
)
def test_what_r4_has_refused_is_refused_even_of_a_lenient_client(
    three: TestClient, query: str, code: str, says: str
) -> None:
    """Source: search.html#query ("SHALL refuse to process a search request if they do not recognize the _query parameter
    value"), #modifiers ("SHALL reject any search request that ... is suffixed by a modifier that the server does not
    support for that parameter"), #summary ("cannot be mixed with _summary=text")."""
    refused(three.get(f"/fhir/Patient?{query}"), 400, code, says)
    refused(three.get(f"/fhir/Patient?{query}", headers={"prefer": "handling=lenient"}), 400, code, says)


def test_a_search_that_was_applied_whole_tells_nothing(three: TestClient) -> None:
    page = valid(three.get("/fhir/Patient?_id=p1&_sort=_id&_include=Patient:organization&_format=json"))
    assert [one["search"]["mode"] for one in page["entry"]] == ["match"]


def test_many_that_are_not_applied_are_told_in_few_words(three: TestClient) -> None:
    page = valid(three.get("/fhir/Patient?" + "&".join(f"unknown{n}=x" for n in range(300))))
    issues = told(page)
    assert len(issues) == 21
    assert "280 more" in issues[-1]["diagnostics"]


def test_the_same_by_form_and_inside_a_batch(three: TestClient) -> None:
    posted = valid(three.post("/fhir/Patient/_search?nickname=eve", data={"_id": "p1"}))
    assert [one["expression"] for one in told(posted)] == [["nickname"]]
    entry = {"request": {"method": "GET", "url": "Patient?nickname=eve&_id=p1"}}
    for kind in ("batch", "transaction"):
        sent = {"resourceType": "Bundle", "type": kind, "entry": [entry]}
        answer = valid(three.post("/fhir", json=sent))
        assert [one["expression"] for one in told(answer["entry"][0]["resource"])] == [["nickname"]]


@pytest.mark.parametrize("address", ["/Patient?", "/Patient/_history?", "/Patient/p1/_history?", "/_history?"])
def test_who_asks_for_json_in_the_address_finds_it_in_the_links(three: TestClient, address: str) -> None:
    """Source: http.html#parameters (`_format` overrides Accept): a page that lost it would be refused as XML."""
    put(three, PATIENT | {"id": "p1", "gender": "female"})
    by, pages = {"accept": "application/fhir+xml"}, 0
    at = f"/fhir{address}_count=1&_format=json&_pretty=true"
    while at:
        answer = three.get(at, headers=by)
        assert answer.text.startswith("{\n  ")
        at, pages = links(valid(answer)).get("next", ""), pages + 1
    assert pages > 1


def test_one_thing_given_twice_is_refused_unless_it_is_the_same(three: TestClient) -> None:
    for twice in (
        "_count=1&_count=2",
        "_summary=true&_summary=text",
        "_total=none&_total=accurate",
        "_format=json&_format=xml",
    ):
        answer = three.get(f"/fhir/Patient?{twice}")
        if answer.status_code != 406:  # the form is judged before anything else
            refused(answer, 400, "value", "was given with two values")
    assert valid(three.post("/fhir/Patient/_search?_format=json", data={"_format": "json"}))["total"] == 3
    put(three, PATIENT | {"id": "p1", "gender": "female", "active": True})
    page = valid(three.get("/fhir/Patient?_elements=gender&_elements=active&_id=p1"))
    assert set(page["entry"][0]["resource"]) == {"resourceType", "id", "meta", "gender", "active"}
    assert links(page)["self"].count("_elements=") == 2


def test_a_count_of_any_size_is_cut_to_the_most_there_is(three: TestClient) -> None:
    """Source: search.html#count (a server may return fewer than asked, not more)."""
    page = valid(three.get("/fhir/Patient?_count=99999999999"))
    assert len(page["entry"]) == 3
    assert links(page)["self"].endswith("_count=500")


@pytest.mark.parametrize(
    "asked", ["Patient?name=%CC%81", "Patient?name:contains=%CC%81", "Observation?code:text=%CC%81"]
)
def test_a_text_of_which_nothing_is_left_finds_not_everybody(client: TestClient, asked: str) -> None:
    """An accent alone is nothing once accents are taken away, and every text begins with nothing."""
    refused(client.get(f"/fhir/{asked}"), 400, "value", "needs a letter")
