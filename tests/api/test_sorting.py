"""Pages in an order asked for, and searches by the time of the last version. Expected: HL7 FHIR R4 search.html#sort, #lastUpdated."""

import base64
from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from .test_including import to
from .test_search import STRICT, at, found, keep, observed
from .walked import refused, valid

LOINC = "http://loinc.org"


def weighed(text: str | None, amount: float | None, code: str = "8867-4") -> dict[str, Any]:
    made = observed(code={"coding": [{"system": LOINC, "code": code}]})
    return (
        made | ({"effectiveDateTime": text} if text else {}) | ({"valueQuantity": {"value": amount}} if amount else {})
    )


KEPT = {
    "b": weighed("2026-03-02T10:00:00Z", 5, "8480-6"),
    "a": weighed("2026-03-01T10:00:00Z", 7),
    "d": weighed(None, 5),
    "c": weighed("2026-03-03T10:00:00Z", None),
    "e": weighed("2026-03-02T10:00:00Z", 9),
}


@pytest.fixture
def kept(client: TestClient) -> TestClient:
    keep(client, "Observation", **KEPT)
    return client


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ("date", "a b e c d"),
        ("-date", "c e b a d"),
        ("-date,-_id", "c e b a d"),
        ("code,date", "b a e c d"),
        ("-code,-date", "c e a d b"),
        ("value-quantity,date", "b d a e c"),
        ("-value-quantity,-date", "e a b d c"),
        ("_id", "a b c d e"),
        ("_lastUpdated", "b a d c e"),
        ("status,_id", "a b c d e"),
        ("combo-code,_id", "b a c d e"),
    ],
)
@pytest.mark.parametrize("count", [1, 2, 9])
def test_every_page_goes_on_in_the_order_asked_for(kept: TestClient, order: str, expected: str, count: int) -> None:
    """What has no value comes last, either way; R4 leaves that to the server."""
    url: str | None = f"/fhir/Observation?{urlencode({'_sort': order, '_count': count, '_total': 'accurate'})}"
    seen: list[str] = []
    while url is not None:
        page = valid(kept.get(url.removeprefix("http://testserver"), headers=STRICT))
        links = {one["relation"]: one["url"] for one in page["link"]}
        assert urlencode({"_sort": order}) in links["self"]
        assert page["total"] == 5
        assert len(page["entry"]) <= count
        seen += [one["resource"]["id"] for one in page["entry"]]
        url = links.get("next")
    assert " ".join(seen) == expected


def test_a_page_is_not_moved_by_what_is_written_meanwhile(kept: TestClient) -> None:
    first = valid(kept.get("/fhir/Observation?_sort=-date&_count=2"))
    keep(kept, "Observation", new=at("2026-03-04"), between=at("2026-03-02T09:00:00Z"))
    kept.delete("/fhir/Observation/b")
    following = first["link"][1]["url"].removeprefix("http://testserver")
    assert [one["resource"]["id"] for one in valid(kept.get(following))["entry"]] == ["between", "a"]


def test_an_order_goes_with_criteria(kept: TestClient) -> None:
    rate = ("code", f"{LOINC}|8867-4")
    assert found(kept, "Observation", rate, ("_sort", "-date")) == "c e a d"
    assert found(kept, "Observation", rate, ("date", "ge2026-03-02"), ("_sort", "date")) == "e c"
    assert (
        found(kept, "Observation", rate, ("date", "ge2026-03-02"), ("date", "lt2026-03-03"), ("_sort", "date")) == "e"
    )


def test_the_name_of_a_woman_is_sorted_whatever_its_case(client: TestClient) -> None:
    keep(
        client,
        "Patient",
        a={"name": [{"family": "Älv"}]},
        b={"name": [{"family": "berg"}]},
        c={"name": [{"family": "ABC"}]},
    )
    assert found(client, "Patient", ("_sort", "family")) == "c a b"
    keep(client, "Observation", o=observed(subject=to("Patient/b")), p=observed(subject=to("Patient/a")))
    assert found(client, "Observation", ("_sort", "subject")) == "p o"


def test_an_order_that_is_not_known_is_refused_or_left_out_and_self_says_so(kept: TestClient) -> None:
    """Source: search.html#errors (unknown parameters are ignored unless the client is strict)."""
    for wrong in ("nothing", "-code-value-quantity", "date,,status", "_text", "_id,_id,_id,_id,_id,_id"):
        refused(kept.get(f"/fhir/Observation?_sort={wrong}", headers=STRICT), 400, "not-supported", "is sorted by")
        answer = valid(kept.get(f"/fhir/Observation?_sort={wrong}"))
        assert "_sort" not in answer["link"][0]["url"]
        *matches, told = answer["entry"]
        assert [one["resource"]["id"] for one in matches] == list("badce")
        assert told["resource"]["issue"][0]["expression"] == ["_sort"]


def test_a_cursor_of_another_order_is_refused(kept: TestClient) -> None:
    url = valid(kept.get("/fhir/Observation?_sort=date&_count=1"))["link"][1]["url"]
    cursor = url.partition("_after=")[2].partition("&")[0]
    refused(kept.get(f"/fhir/Observation?_after={cursor}"), 400, "value", "is not one of ours")


@pytest.mark.parametrize(
    ("order", "key"),
    [
        ("date", '"final"'),
        ("date", "1"),
        ("date", "1" + 30 * "0"),
        ("date", "NaN"),
        ("date", "Infinity"),
        ("date", "true"),
        ("status", "1.5"),
        ("status", '"\\u0000"'),
        ("status", '"\\ud800"'),
    ],
)
def test_a_cursor_with_a_key_that_no_such_column_holds_is_refused(client: TestClient, order: str, key: str) -> None:
    """A link is a client's to change; RFC 3986, 2.1 lets it say anything. On both databases it is a wrong parameter."""
    after = base64.urlsafe_b64encode(f"[5,22,[{key}]]".encode()).decode().rstrip("=")
    refused(client.get(f"/fhir/Observation?_sort={order}&_after={after}"), 400, "value", "is not one of ours")


def test_the_time_of_the_last_version_finds_what_changed_since(kept: TestClient) -> None:
    """Source: http://hl7.org/fhir/R4/search.html#lastUpdated; an instant has no width (#date)."""
    stamps = {
        one["resource"]["id"]: one["resource"]["meta"]["lastUpdated"]
        for one in valid(kept.get("/fhir/Observation"))["entry"]
    }
    keep(kept, "Observation", a=KEPT["a"] | {"status": "amended"})
    changed = valid(kept.get("/fhir/Observation/a"))["meta"]["lastUpdated"]
    cases: tuple[tuple[str, Callable[[str, str], bool]], ...] = (
        ("", lambda t, s: t == s),
        ("ne", lambda t, s: t != s),
        ("gt", lambda t, s: t > s),
        ("ge", lambda t, s: t >= s),
        ("lt", lambda t, s: t < s),
        ("le", lambda t, s: t <= s),
        ("sa", lambda t, s: t > s),
        ("eb", lambda t, s: t < s),
    )
    for prefix, holds in cases:
        for moment in {changed, *stamps.values()}:
            now = {**stamps, "a": changed}
            expected = " ".join(id_ for id_ in KEPT if holds(now[id_], moment))
            assert found(kept, "Observation", ("_lastUpdated", f"{prefix}{moment}")) == expected, (prefix, moment)
    assert found(kept, "Observation", ("_lastUpdated", f"{changed[:4]}"), ("status", "amended")) == "a"
    assert found(kept, "Observation", ("_lastUpdated", "lt2020")) == ""
    assert found(kept, "Observation", ("_lastUpdated:missing", "true")) == ""
    newest = found(kept, "Observation", ("_sort", "-_lastUpdated")).split()
    assert [now[id_] for id_ in newest] == sorted(now.values(), reverse=True)
