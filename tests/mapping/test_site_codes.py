"""A site's code map: what is read of it, what is refused and why, and what it changes in a resource."""

import json
from typing import Any

import pytest

from fhirmod.errors import InvalidError, UnreadableError
from fhirmod.mapping import NO_CODES, SiteCodes
from fhirmod.mapping.site_code_files import LOCAL_UNIT
from terminology import OWN_SYSTEM

UCUM = "http://unitsofmeasure.org"
CSV = b"""system,code,concept,unit,ucum
urn:example:west,BLV,blood-loss-measured,cc,mL
urn:example:west,HB,laboratory.haemoglobin_g_dl,g/L,
urn:example:west,UBT,anchor,,
,Loss on pads,blood-loss-visual,,
"""


def resource(code: dict[str, Any], **fields: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": code,
        "note": [{"text": "Loss on pads"}],
        **fields,
    }


def coded(code: str, system: str = "urn:example:west") -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code, "display": "as there"}]}


def own(found: dict[str, Any]) -> list[str]:
    return [one["code"] for one in found["code"].get("coding", ()) if one["system"] == OWN_SYSTEM]


def test_a_local_code_gets_ours_beside_it_and_its_unit_in_ucum() -> None:
    sent = resource(coded("BLV"), valueQuantity={"value": 300, "unit": "cc"})
    text = json.dumps(sent)
    found = SiteCodes.read(CSV).applied(sent)
    assert own(found) == ["blood-loss-measured"]
    assert found["code"]["coding"][0]["display"] == "as there"
    assert found["valueQuantity"] == {"value": 300, "unit": "mL", "system": UCUM, "code": "mL"}
    assert json.dumps(sent) == text


def test_a_number_without_a_unit_is_in_the_unit_of_the_row_and_one_in_another_unit_is_left_alone() -> None:
    codes = SiteCodes.read(CSV)
    assert codes.applied(resource(coded("HB"), valueQuantity={"value": 89}))["valueQuantity"]["code"] == "g/L"
    other = {"value": 8.9, "unit": "g/dL", "system": UCUM, "code": "g/dL"}
    assert codes.applied(resource(coded("HB"), valueQuantity=other))["valueQuantity"] == other


def test_text_alone_is_found_under_no_system_and_a_note_is_never_a_code() -> None:
    found = SiteCodes.read(CSV).applied(resource({"text": "Loss on pads"}))
    assert own(found) == ["blood-loss-visual"]
    assert found["note"] == [{"text": "Loss on pads"}]


def test_what_carries_our_code_or_none_of_the_map_stays_the_same_object() -> None:
    for code in (coded("fill", OWN_SYSTEM), coded("OTHER"), coded("BLV", "urn:example:east")):
        sent = resource(code)
        assert SiteCodes.read(CSV).applied(sent) is sent
    assert NO_CODES.applied(resource(coded("BLV")))["code"] == coded("BLV")


def test_one_code_in_two_units_may_mean_two_things() -> None:
    codes = SiteCodes.read(b"system,code,concept,unit\nurn:x,L,blood-loss,mL\nurn:x,L,blood-loss.weighed.wet_g,g\n")
    assert own(codes.applied(resource(coded("L", "urn:x"), valueQuantity={"value": 3, "unit": "g"}))) == ["wet-weight"]
    assert own(codes.applied(resource(coded("L", "urn:x"), valueQuantity={"value": 3, "unit": "mL"}))) == ["blood-loss"]
    assert own(codes.applied(resource(coded("L", "urn:x"), valueQuantity={"value": 3, "unit": "cups"}))) == []


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("urn:x,A,blood-los,,", "there is no concept 'blood-los'"),
        ("urn:x,,blood-loss,,", "it has no code"),
        ("urn:x,OK,fill,,", "has a row already"),
        ("urn:x,A,blood-loss,cc,", "'cc' is no unit of UCUM"),
        ("urn:x,A,blood-loss,g,", "the unit 'g' does not convert to 'mL'"),
        ("http://loinc.org,8867-4,blood-loss,,", "means vital-signs.pulse_per_min everywhere"),
    ],
)
def test_a_row_that_cannot_be_used_is_named_with_the_reason(row: str, says: str) -> None:
    text = f"system,code,concept,unit,ucum\nurn:x,OK,blood-loss,,\n{row}\n"
    with pytest.raises(InvalidError) as wrong:
        SiteCodes.read(text.encode())
    [finding] = wrong.value.findings
    assert finding.place == "row 3"
    assert says in finding.sentence


def test_other_files_are_refused_in_a_sentence() -> None:
    for text, says in [
        (b"a,b\n1,2\n", "needs the columns code and concept"),
        (b'{"resourceType":"Patient"}', "ConceptMap"),
    ]:
        with pytest.raises(InvalidError, match=says):
            SiteCodes.read(text)
    with pytest.raises(UnreadableError, match="UTF-8"):
        SiteCodes.read(b"system,code,concept\n\xff\xfe")


def test_a_concept_map_says_the_same() -> None:
    target = {
        "code": "blood-loss-measured",
        "equivalence": "wider",
        "dependsOn": [{"property": LOCAL_UNIT, "value": "cc"}],
        "product": [{"property": UCUM, "value": "mL"}],
    }
    group = {"source": "urn:example:west", "target": OWN_SYSTEM, "element": [{"code": "BLV", "target": [target]}]}
    document: dict[str, Any] = {"resourceType": "ConceptMap", "status": "active", "group": [group]}
    assert SiteCodes.read(json.dumps(document).encode()).rows == {
        key: rows for key, rows in SiteCodes.read(CSV).rows.items() if key[1] == "BLV"
    }
    target |= {"equivalence": "narrower", "comment": "theirs is more"}  # R4 invariant cmd-1
    with pytest.raises(InvalidError, match="a code is read only where ours means the same or more"):
        SiteCodes.read(json.dumps(document).encode())
