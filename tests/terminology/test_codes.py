"""The standard codes: check digits, known wrong ones, HL7's own displays, the vital-signs profiles, units."""

import json
import lzma
import tomllib
from pathlib import Path
from typing import Any

import pytest

from terminology import SOURCES, SYSTEMS, concept, keys, loinc_is_well_formed, sctid_is_well_formed
from terminology.check_digits import loinc_check_digit, verhoeff_check_digit
from terminology.table import build, table

ROOT = Path(__file__).parents[2]
CODES = [name.partition(":")[::2] for name in table().codes]


@pytest.mark.parametrize("code", [code for system, code in CODES if system == "loinc" and not code.startswith("LA")])
def test_every_loinc_code_has_its_check_digit(code: str) -> None:
    assert loinc_is_well_formed(code)


@pytest.mark.parametrize("code", [code for system, code in CODES if system == "sct"])
def test_every_snomed_code_has_its_check_digit(code: str) -> None:
    assert sctid_is_well_formed(code)


def test_loinc_check_digit_is_that_of_the_users_guide() -> None:
    # https://loinc.org/kb/users-guide/calculating-mod-10-check-digits/: 12345 has the check digit 5.
    assert loinc_check_digit("12345") == 5
    assert loinc_is_well_formed("12345-5")
    # The same page lists real terms of the standard whose digit is not the right one.
    irregular = "11491-6 11501-6 5895-7 5896-5 5897-3 5928-1 6028-3 6415-5 6580-7 6645-7 6646-5 6647-3 6648-1 6649-9"
    assert not any(loinc_is_well_formed(code) for code in irregular.split())


@pytest.mark.parametrize(("number", "digit"), [("236", 3), ("7728635820", 7), ("1456789", 4)])
def test_verhoeff_digit_is_that_of_published_examples(number: str, digit: int) -> None:
    # npm cdigit 2.6.6 test/verhoeff.js; Perl Algorithm::CheckDigits, manual of MXX_006.
    assert verhoeff_check_digit(number) == digit


def test_snomed_identifiers_are_told_from_numbers() -> None:
    # Postpartum haemorrhage, transfusion, and a long identifier of an extension (partition 10), all published.
    assert all(sctid_is_well_formed(code) for code in ("47821001", "116859006", "119891000119105"))
    assert not any(sctid_is_well_formed(code) for code in ("", "47821", "47821002", "078623009", "4782100x"))


@pytest.mark.parametrize(
    "code",
    # Codes met in public repositories for our concepts that fail their check digit.
    [
        "3150-6",
        "55103-4",
        "11454-5",
        "73762-5",
        "72149-6",
        "17514000",
        "248234009",
        "387087009",
        "64332008",
        "251841001",
        "34811007",
        "395913006",
    ],
)
def test_a_wrong_code_in_circulation_is_recognised_and_absent(code: str) -> None:
    assert not loinc_is_well_formed(code)
    assert not sctid_is_well_formed(code)
    assert code not in {listed for _, listed in CODES}


@pytest.mark.parametrize("code", ["386053000", "260385009", "71853-6"])
def test_a_real_code_of_another_meaning_is_absent(code: str) -> None:
    # Claimed elsewhere to be examination under anaesthesia, "suspected" and SpO2; they are not.
    assert code not in {listed for _, listed in CODES}


def test_only_codes_seen_with_their_display_in_public_are_used() -> None:
    for name, (display, grade, sources) in table().codes.items():
        assert name.partition(":")[0] in SYSTEMS, name
        assert display, name
        assert grade in ("A", "B"), name
        assert set(sources.split()) <= set(SOURCES), name
    assert {key for _, _, sources in table().codes.values() for key in sources.split()} == set(SOURCES)


def test_snomed_codes_outside_the_free_set_stand_alone_and_may_be_left_out() -> None:
    free = tomllib.loads((ROOT / "terminology/codes.toml").read_text("utf-8"))["sct"]
    bound = tomllib.loads((ROOT / "terminology/codes-snomed-affiliate.toml").read_text("utf-8"))
    assert set(bound) == {"sct"}
    assert set(free) & set(bound["sct"]) == set()


def test_without_the_licensed_file_concepts_keep_their_other_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = concept("medication.drug.oxytocin")
    monkeypatch.setattr("terminology.table._AFFILIATE", "not-there.toml")
    table.cache_clear()
    try:
        left = build("medication.drug.oxytocin")
        all_of_them = [build(key) for key in keys()]
    finally:
        table.cache_clear()
        monkeypatch.undo()
    assert [each.code for each in whole.codings] == ["H01BB02", "777037006", "oxytocin"]
    assert [each.code for each in left.codings] == ["H01BB02", "oxytocin"]
    assert all(each.code in {coding.code for coding in each.codings} for each in all_of_them)


def _published() -> dict[str, dict[str, str]]:
    """Return code -> display of HL7's R4 code systems."""
    systems = json.loads(lzma.decompress((ROOT / "fhirmod/r4/definitions/code-systems.json.xz").read_bytes()))

    def walk(listed: list[dict[str, Any]], into: dict[str, str]) -> dict[str, str]:
        for each in listed:
            into[each["code"]] = each.get("display", "")
            walk(each.get("concept", []), into)
        return into

    return {each["url"]: walk(each.get("concept", []), {}) for each in systems}


def test_hl7_codes_are_displayed_as_hl7_publishes_them() -> None:
    published = _published()
    compared = 0
    for system, code in CODES:
        if SYSTEMS[system].startswith("http://terminology.hl7.org/") and SYSTEMS[system] in published:
            compared += 1
            assert published[SYSTEMS[system]][code] == table().codes[f"{system}:{code}"][0]
    assert compared >= 10


@pytest.mark.parametrize(
    ("profile", "key"),
    [
        ("vitalspanel", "vital-signs"),
        ("heartrate", "vital-signs.pulse_per_min"),
        ("resprate", "vital-signs.respiratory_rate_per_min"),
        ("bodytemp", "vital-signs.temperature_cel"),
        ("oxygensat", "vital-signs.spo2_percent"),
        ("bodyweight", "background.weight_kg"),
        ("bodyheight", "background.height_cm"),
        ("bp", "vital-signs.blood-pressure"),
    ],
)
def test_the_code_that_the_r4_vital_signs_profile_fixes_comes_first(profile: str, key: str) -> None:
    # http://hl7.org/fhir/R4/observation-vitalsigns.html, read from HL7's own StructureDefinitions.
    assert concept(key).codeable["coding"][0]["code"] in _fixed(profile, "Observation.code.coding.code")
    units = _fixed(profile, "Observation.value[x].code")
    if units and concept(key).unit:
        assert {concept(key).unit} == units


def test_the_components_of_a_blood_pressure_are_those_of_the_r4_profile() -> None:
    # http://hl7.org/fhir/R4/bp.html
    pressures = ("vital-signs.systolic_mmhg", "vital-signs.diastolic_mmhg")
    first = {concept(key).codeable["coding"][0]["code"] for key in pressures}
    assert first == _fixed("bp", "Observation.component.code.coding.code")
    assert {concept(key).unit for key in pressures} == _fixed("bp", "Observation.component.value[x].code")


def _fixed(profile: str, path: str) -> set[str]:
    packed = (ROOT / "fhirmod/r4/definitions/structure-definitions.json.xz").read_bytes()
    definition = next(each for each in json.loads(lzma.decompress(packed)) if each["id"] == profile)
    elements = definition["snapshot" if "snapshot" in definition else "differential"]["element"]
    return {each["fixedCode"] for each in elements if each["path"] == path and "fixedCode" in each}
