"""The first law of the mapping: what an entry says survives FHIR, digits as text, for every kind and field."""

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import KINDS, Entry, Retraction, is_said
from fhirmod.mapping import TABLES, Context, Lens, Stored, images, retraction_image
from fhirmod.mapping.codec import own_fields
from fhirmod.r4 import check, dump, parse
from tests.any_entry import any_entry

CONTEXT = Context("Patient/1", "Procedure/anchor", "Encounter/e")
WHEN = "2026-03-02T00:00:00.000Z"


def through_fhir(entry: Entry, context: Context = CONTEXT) -> tuple[list[Any], Lens]:
    made = images(entry, context, root=entry.id)
    if isinstance(entry, Retraction):
        made = [retraction_image(entry, context, root=entry.id, targets=["Observation/x"])]
    lens = Lens()
    lens.fold([Stored(one.type, one.id, 1, WHEN, parse(dump(one.body))) for one in made])
    return made, lens


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(data=st.data())
def test_every_kind_comes_back_from_fhir_as_it_went(kind: str, data: st.DataObject) -> None:
    entry = data.draw(any_entry(kind))
    drill = entry.kind == "opening" and getattr(entry, "drill", False)
    _, lens = through_fhir(entry, Context("Patient/1", "Procedure/anchor", "Encounter/e", drill))
    assert lens.unread == {}
    assert [item.entry for item in lens.received] == [entry]
    assert dump(lens.received[0].entry.document()) == dump(entry.document())


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(data=st.data())
def test_every_image_is_valid_r4(kind: str, data: st.DataObject) -> None:
    made, _ = through_fhir(data.draw(any_entry(kind)))
    for image in made:
        findings = [finding for finding in check(parse(dump(image.body))) if finding.refuses]
        assert findings == [], image.body


def test_every_kind_has_a_table() -> None:
    assert set(TABLES) == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_a_kind_has_a_row(kind: str) -> None:
    assert TABLES[kind].fields == own_fields(KINDS[kind]) - {"kind"}


@pytest.mark.parametrize("kind", KINDS)
def test_a_part_that_is_not_always_there_has_no_field_that_says_something_by_default(kind: str) -> None:
    for part in TABLES[kind].parts:
        if not part.always and part.when is None:
            defaults = [KINDS[kind].model_fields[name].default for name in part.fields]
            assert not any(map(is_said, defaults)), part.name
