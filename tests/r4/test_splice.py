"""Splicing identity into received text, judged by comparing every other byte (DESIGN, exact text)."""

import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhirmod.errors import UnreadableError
from fhirmod.r4 import entry_texts, parse, splice
from fhirmod.r4.facts import facts
from fhirmod.r4.splice import LINK_NAMES


def spliced(text: bytes, references: Mapping[str, str] | None = None) -> bytes:
    return splice(
        text,
        id="new-id",
        version_id="7",
        last_updated="2026-01-02T03:04:05.678Z",
        references=references or {},
    )


URN = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"


def test_only_identity_changes_and_every_other_byte_stays() -> None:
    text = (
        b'{ "resourceType" : "Observation",\r\n\t"id": "old", "meta" : {"versionId":"1" , "tag":[{"id":"x"}],'
        b'"lastUpdated": "2020"},"valueQuantity":{"value":1.50, "unit":"m\\u004c"}, "note":[{"text":"\\"id\\":{"}]}'
    )
    expected = (
        text.replace(b'"old"', b'"new-id"')
        .replace(b'"versionId":"1"', b'"versionId":"7"')
        .replace(b'"2020"', b'"2026-01-02T03:04:05.678Z"')
    )
    assert spliced(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b'{"resourceType":"Basic"}', b'{"resourceType":"Basic","id":"new-id","meta":M}'),
        (b'{"resourceType":"Basic","id":"a"}', b'{"resourceType":"Basic","id":"new-id","meta":M}'),
        (b'{"a":1,"resourceType":"B"}', b'{"a":1,"resourceType":"B","id":"new-id","meta":M}'),
        (b"{}", b'{"id":"new-id","meta":M}'),
        (b'\n{ "a":1}', b'\n{"id":"new-id","meta":M, "a":1}'),
        (b'{"id":"a","meta":{}}', b'{"id":"new-id","meta":M}'),
        (b'{"\\u0069d":"a","meta":{}}', b'{"\\u0069d":"new-id","meta":M}'),
    ],
)
def test_what_is_absent_is_inserted(text: bytes, expected: bytes) -> None:
    meta = b'{"versionId":"7","lastUpdated":"2026-01-02T03:04:05.678Z"}'
    if b'"id":"a"' in text and b"meta" not in text:
        expected = b'{"resourceType":"Basic","id":"new-id"'  # either side of the id will do
        assert parse(spliced(text))["meta"]["versionId"] == "7"
        assert parse(spliced(text))["id"] == "new-id"
        return
    assert spliced(text) == expected.replace(b"M", meta)


def test_links_are_rewritten_by_the_rules_of_a_transaction() -> None:
    resource = {
        "resourceType": "Composition",
        "identifier": {"system": "urn:ietf:rfc:3986", "value": URN},
        "subject": {"reference": URN, "display": URN},
        "author": [{"reference": "Practitioner?identifier=x|1"}],
        "extension": [{"url": "http://example.org/a", "valueUri": URN}, {"url": "b", "valueString": URN}],
        "text": {"status": "generated", "div": f"<div><a href=\"{URN}\">{URN}</a><img src='{URN}'/></div>"},
    }
    links = {URN: "Patient/1", "Practitioner?identifier=x|1": "Practitioner/2"}
    for text in (
        json.dumps(resource),
        json.dumps(resource).replace("/", "\\/").replace("urn", "\\u0075rn", 1),
    ):
        done = parse(spliced(text.encode(), references=links))
        assert done["subject"] == {"reference": "Patient/1", "display": URN}
        assert done["author"] == [{"reference": "Practitioner/2"}]
        assert done["extension"][0]["valueUri"] == "Patient/1"
        assert done["extension"][1]["valueString"] == URN
        assert done["identifier"]["value"] == URN
    plain = parse(spliced(json.dumps(resource).encode(), references=links))
    assert plain["text"]["div"] == f"<div><a href=\"Patient/1\">{URN}</a><img src='Patient/1'/></div>"


def test_links_in_lists_of_uris_are_rewritten() -> None:
    done = spliced(b'{"instantiatesUri":["http://a","%b"]}' % URN.encode(), references={URN: "PlanDefinition/1"})
    assert parse(done)["instantiatesUri"] == ["http://a", "PlanDefinition/1"]


@pytest.mark.parametrize("text", [b"[]", b"", b'{"meta":[]}', b'{"meta":null}'])
def test_what_has_no_place_for_an_identity_is_refused(text: bytes) -> None:
    with pytest.raises(UnreadableError):
        spliced(text)


def test_link_names_are_those_the_definitions_give_a_uri_type() -> None:
    links, texts = {"reference"}, set()
    for one in facts()["shapes"].values():
        for element in one["elements"]:
            name = element["name"]
            for kind in element.get("types", ()):
                key = name[:-3] + kind[0].upper() + kind[1:] if name.endswith("[x]") else name
                if kind in ("uri", "url", "oid", "uuid"):
                    links.add(key)
                elif kind in ("string", "markdown"):
                    texts.add(key)
    # `definition` is prose in most types; the few uri ones are no link to a resource of a transaction.
    assert texts & LINK_NAMES == {"address", "location", "source", "type", "reference"}
    assert links - LINK_NAMES == {"definition", "code", "identifier", "target"} - LINK_NAMES
    assert links >= LINK_NAMES


_json: Any = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(alphabet='ab{}[]":,\\/\u00e9\U0001f600 '),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["id", "meta", "a", '"', "{", "\\"]), inner, max_size=4)
    ),
    max_leaves=15,
)


@given(
    st.dictionaries(st.sampled_from(["resourceType", "id", "x", "}", '"']), _json),
    st.booleans(),
    st.integers(0, 3),
)
def test_splicing_changes_exactly_what_setting_would(value: dict[str, Any], plain: bool, indent: int) -> None:
    text = json.dumps(value, ensure_ascii=plain, indent=indent or None)
    meta = {"versionId": "7", "lastUpdated": "2026-01-02T03:04:05.678Z"}
    assert json.loads(spliced(text.encode())) == {**value, "id": "new-id", "meta": meta}


def test_the_exact_text_of_each_entrys_resource_is_found() -> None:
    text = (
        b'{ "entry" : [ {"resource":  {"a": [1.50, "}]{"]} , "fullUrl":"x"},{"fullUrl": "y", "link": [{"resource": 1}]},'
        b'{"request":{"url":"{"}, "resource":{"\\u0061":{}}}\n], "type":"collection"}'
    )
    assert entry_texts(text) == [b'{"a": [1.50, "}]{"]}', None, b'{"\\u0061":{}}']
    assert entry_texts(b'{"resourceType":"Bundle"}') == []
    assert entry_texts(b'{"entry": [], "type": "batch"}') == []
