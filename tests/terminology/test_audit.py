"""What every code must satisfy wherever it is written: wrong codes nowhere, licences complete, reading a function."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhirmod.r4 import check, dump, parse
from terminology import OWN_SYSTEM, SYSTEMS, code_system, concept, concept_maps, find, keys, value_sets, words
from terminology.concept import WRITTEN
from terminology.systems import COPYRIGHT
from terminology.table import table

ROOT = Path(__file__).parents[2]
EVERY: list[dict[str, Any]] = [code_system(), *value_sets(), *concept_maps()]

# Codes met in public repositories under a meaning they do not have: most fail their check digit, the last four are real
# codes of something else, or were only informally given this meaning.
WRONG = {
    "3150-6": "FiO2, which is 3150-0",
    "55103-4": "estimated blood loss in the operation note, which is 55103-6",
    "11454-5": "responsiveness, which HL7's EMS text prints as 11454-6",
    "73762-5": "mode of delivery, which is 73762-7",
    "72149-6": "mode of delivery",
    "17514000": "uterine artery embolisation",
    "248234009": "alert, which is 248234008",
    "387087009": "ergometrine",
    "64332008": "blood loss in labour, which is 364332008",
    "251841001": "total fluid input, which is 251852001",
    "34811007": "no code at all",
    "395913006": "no code at all",
    "386053000": "examination under anaesthesia; it is evaluation procedure",
    "260385009": "suspected; it is negative",
    "71853-6": "SpO2, which is 2708-6 and 59408-5",
    "80288-4": "AVPU, seen informally only; 67775-7 is used",
}
SHIPPED = ("fhirmod", "api", "terminology", "shared", "examples")
TEXT = {".py", ".toml", ".json", ".md", ".sql", ".html", ".csv", ".txt"}


def test_a_wrong_code_in_circulation_is_in_nothing_that_is_shipped() -> None:
    wrong = re.compile(r"(?<![\w.-])(" + "|".join(map(re.escape, WRONG)) + r")(?![\w-])")
    found = []
    looked_at = 0
    for folder in SHIPPED:
        for path in (ROOT / folder).rglob("*"):
            if path.suffix in TEXT and "__pycache__" not in path.parts:
                looked_at += 1
                found += [(str(path.relative_to(ROOT)), hit) for hit in wrong.findall(path.read_text("utf-8"))]
    assert looked_at > 200
    assert found == []


def test_our_own_code_is_among_the_codings_of_every_concept_as_it_is_written() -> None:
    for key in keys():
        codings = concept(key).codeable["coding"]
        own = [coding for coding in codings if coding["system"] == OWN_SYSTEM]
        assert [coding["code"] for coding in own] == [concept(key).code], key


def test_what_is_written_first_is_of_grade_a_or_b_or_our_own() -> None:
    for key in keys():
        first = next(coding for coding in concept(key).codings if coding.relation in WRITTEN)
        assert first.grade in ("A", "B", "own"), key
        assert (first.system == OWN_SYSTEM) == (first.grade == "own"), key
        assert first.relation in ("same", "own"), key


QUESTIONS = [key for key in keys() if "." in key and words(key)]


@given(st.data())
def test_reading_codes_is_a_function_whatever_comes_together(data: st.DataObject) -> None:
    """Any codings of the answers to one question give one of them or none, and our own code alone decides."""
    question = data.draw(st.sampled_from(QUESTIONS))
    answers = words(question)
    pool = [coding for word in answers for coding in concept(word).codings]
    drawn = data.draw(st.lists(st.sampled_from(pool), max_size=4))
    found = find([coding.fhir for coding in drawn], answers)
    assert found is None or found in answers
    assert found == find([coding.fhir for coding in reversed(drawn)], answers)
    owns = {coding.code for coding in drawn if coding.relation == "own"}
    if len(owns) == 1:
        assert found is not None
        assert concept(found).code in owns
    elif len(owns) > 1:
        assert found is None


def test_no_two_answers_of_a_question_share_a_code_of_the_same_meaning() -> None:
    for question in QUESTIONS:
        claimed: dict[tuple[str, str], str] = {}
        for word in words(question):
            for coding in concept(word).codings:
                if coding.relation in ("own", "same"):
                    assert claimed.setdefault((coding.system, coding.code), word) == word, coding.code


@pytest.mark.parametrize("resource", EVERY, ids=[each["url"] for each in EVERY])
def test_a_generated_resource_is_valid_r4_for_our_own_engine(resource: dict[str, Any]) -> None:
    assert [finding for finding in check(parse(dump(resource))) if finding.refuses] == []


@pytest.mark.parametrize("resource", EVERY, ids=[each["url"] for each in EVERY])
def test_a_resource_names_the_licence_of_every_system_whose_codes_it_holds(resource: dict[str, Any]) -> None:
    text = json.dumps(resource)
    for name, url in SYSTEMS.items():
        if name in COPYRIGHT and f'"{url}"' in text:
            assert COPYRIGHT[name] in resource["copyright"], name


# HL7's own terminology and the units need no notice in each resource: CC0, and UCUM's licence stands in NOTICE.
FREE = {name for name, url in SYSTEMS.items() if url.startswith("http://terminology.hl7.org/")} | {"ucum"}
IN_NOTICE = {
    "loinc": "LOINC",
    "sct": "SNOMED CT",
    "ucum": "UCUM",
    "icd10": "ICD-10",
    "icd10pcs": "ICD-10-PCS",
    "icd11": "ICD-11",
    "atc": "ATC",
    "rxnorm": "RxNorm",
    "imdrf-a": "IMDRF",
    "imdrf-e": "IMDRF",
    "fda-product-code": "FDA product classification",
}


def test_every_system_has_a_licence_notice_or_is_free() -> None:
    used = {name.partition(":")[0] for name in table().codes} | {"own", "ucum"}
    assert used == set(SYSTEMS)
    assert set(COPYRIGHT) | FREE == set(SYSTEMS)
    notice = (ROOT / "NOTICE").read_text("utf-8")
    assert set(IN_NOTICE) == set(SYSTEMS) - {"own"} - (FREE - {"ucum"})
    for name, words_ in IN_NOTICE.items():
        assert words_ in notice, name
    # LOINC's licence asks for these words (https://loinc.org/license, section 10), SNOMED's for the owner's name.
    assert "This material contains content from LOINC (http://loinc.org)." in " ".join(notice.split())
    assert "SNOMED International" in notice
    assert "https://ucum.org/license" in notice
    assert "CC0" in notice


def test_snomed_codes_outside_the_free_set_are_named_in_the_notice_by_their_file() -> None:
    assert "terminology/codes-snomed-affiliate.toml" in (ROOT / "NOTICE").read_text("utf-8")


def test_displays_do_not_carry_a_code_of_another_concept() -> None:
    """A display is words: a code inside it would be a second, unchecked code."""
    looks_coded = re.compile(r"\b\d{6,18}\b|\b\d{4,5}-\d\b|\bLA\d+-\d\b")
    assert [name for name, (display, _, _) in table().codes.items() if looks_coded.search(display)] == []
    assert [key for key in keys() if looks_coded.search(concept(key).display)] == []
