"""The modifier :text of tokens: what a concept, a code or the type of an identifier is called begins so.

Source: http://hl7.org/fhir/R4/search.html#modifiers (":text ... the text associated with the code/value - either
        CodeableConcept.text, Coding.display, or Identifier.type.text", processed as a string), #string (the value
        equals or starts with what is asked; insensitive to case and accents). The oracle takes Unicode's
        decomposition of its own: http://www.unicode.org/reports/tr15/.
"""

import unicodedata
from datetime import UTC, datetime
from functools import partial
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.errors import NotSupportedError
from fhirmod.intake import Asking, Intake, shelve, sought
from fhirmod.store import Reader, Store
from tests.store.rows import ALL, NOW

ASKING = Asking("", datetime(2026, 3, 2, tzinfo=UTC))
WORDS = ("pulse", "Pulse rate", "PÜLS", "puls", "Élan", "elan vital", "e", "rate", "Straße", "STRASSE 1", "%", "_a")
texts = st.sampled_from(WORDS)
codings = st.lists(st.fixed_dictionaries({"code": st.sampled_from("abc")}, optional={"display": texts}), max_size=3)
concepts = st.fixed_dictionaries({}, optional={"coding": codings, "text": texts})


@st.composite
def observations(draw: st.DrawFn) -> dict[str, Any]:
    parts = draw(st.lists(concepts, max_size=2))
    more = {"category": draw(st.lists(concepts, max_size=2)), "component": [{"code": one} for one in parts]}
    return {"resourceType": "Observation", "status": "final", "code": draw(concepts), **more}


def plain(text: str) -> str:
    return "".join(one for one in unicodedata.normalize("NFD", text.casefold()) if unicodedata.category(one) != "Mn")


def called(resource: dict[str, Any], param: str) -> list[str]:
    """Return all that the concepts of a parameter are called, the plain way."""
    components = [one["code"] for one in resource["component"]]
    found = {
        "code": [resource["code"]],
        "category": resource["category"],
        "component-code": components,
        "combo-code": [resource["code"], *components],
    }[param]
    spoken = [one.get("text") for one in found] + [c.get("display") for one in found for c in one.get("coding", ())]
    return [one for one in spoken if one]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(observations(), min_size=1, max_size=6), st.lists(texts, min_size=1, max_size=2))
def test_text_finds_what_a_plain_look_at_all_would(
    intake: Intake, resources: list[dict[str, Any]], asked: list[str]
) -> None:
    store = intake.store
    number = len(found(store, []))
    named = [one | {"id": f"o{number + n}"} for n, one in enumerate(resources)]
    shelve(store, ALL, named, NOW)
    ids = {one["id"] for one in named}
    for param in ("code", "category", "component-code", "combo-code"):
        for text in (",".join(asked), asked[0][:2]):
            parts = text.split(",")
            wanted = [
                one["id"]
                for one in named
                if any(plain(name).startswith(plain(part)) for name in called(one, param) for part in parts)
            ]
            criterion = sought("Observation", param, "text", text, ASKING)
            assert [one for one in found(store, [criterion]) if one in ids] == wanted, (param, text)


def found(store: Store, criteria: list[Any]) -> list[str]:
    search = partial(Reader.search, access=ALL, type_="Observation", criteria=criteria, count=100_000)
    return [one.id for one in store.read(search).versions]


def test_the_type_of_an_identifier_is_found_by_its_text(intake: Intake) -> None:
    ward = {"type": {"text": "Ward number"}, "value": "7"}
    people = [
        {"resourceType": "Patient", "id": "a", "identifier": [ward]},
        {"resourceType": "Patient", "id": "b", "identifier": [{"type": {"coding": [{"code": "MR"}]}, "value": "8"}]},
        {"resourceType": "Patient", "id": "c", "identifier": [{"value": "ward"}]},
    ]
    shelve(intake.store, ALL, people, NOW)
    criterion = sought("Patient", "identifier", "text", "WARD", ASKING)
    page = intake.store.read(partial(Reader.search, access=ALL, type_="Patient", criteria=[criterion], count=9))
    assert [one.id for one in page.versions] == ["a"]


@pytest.mark.parametrize(
    ("type_", "name"),
    [
        ("Observation", "status"),  # a code has no text
        ("Patient", "gender"),
        ("Patient", "active"),
        ("Patient", "phone"),
        ("Observation", "_tag"),
        ("Observation", "_security"),
        ("Observation", "_id"),
        ("Observation", "subject"),
    ],
)
def test_what_has_no_text_is_not_searched_by_it(type_: str, name: str) -> None:
    with pytest.raises(NotSupportedError, match=f"^{type_} is not searched by {name}:text here; .*{name} has the mod"):
        sought(type_, name, "text", "x", ASKING)
