"""Reading codes back: a function of the codings, never misled by a broader one."""

from collections import defaultdict

import pytest

import terminology
from terminology import OWN_SYSTEM, concept, find, keys
from tests.terminology.vocabulary import everything

KINDS = frozenset(key for key, question in everything().items() if question is None)
ACTS = KINDS | {
    "anchor", "round", "blood-loss-measured", "blood-loss-visual", "collector-reading", "stated-total",
    "urine-collector-reading", "urine-stated-total", "fluid-collector-reading", "fluid-stated-total",
}  # fmt: skip


def _siblings() -> dict[str, frozenset[str]]:
    """Return for each key those it must be told apart from: acts, questions of one kind, answers to one question."""
    families: dict[str, set[str]] = defaultdict(set)
    homes = {}
    for key in keys():
        homes[key] = "" if key in ACTS else key.rpartition(".")[0]
        question = next((asked for asked in everything() if asked not in KINDS and key.startswith(f"{asked}.")), None)
        homes[key] = question or homes[key]
        families[homes[key]].add(key)
    return {key: frozenset(families[home]) for key, home in homes.items()}


SIBLINGS = _siblings()


@pytest.mark.parametrize("key", keys())
def test_what_a_concept_writes_is_read_back_as_that_concept(key: str) -> None:
    assert find(concept(key).codeable["coding"], among=SIBLINGS[key]) == key


@pytest.mark.parametrize("key", keys())
def test_without_our_own_code_a_concept_is_read_back_or_nothing_is(key: str) -> None:
    theirs = [coding.fhir for coding in concept(key).codings if coding.relation in ("same", "narrower")]
    assert find(theirs, among=SIBLINGS[key]) in (key, None)


@pytest.mark.parametrize("key", keys())
def test_a_broader_or_neighbouring_code_alone_is_never_read_as_the_concept(key: str) -> None:
    for coding in concept(key).codings:
        if coding.relation in ("broader", "neighbour"):
            assert find([coding.fhir], among=SIBLINGS[key]) != key


@pytest.mark.parametrize(
    ("system", "code", "among", "key"),
    [
        # One code of a partner each, with the meaning its publisher gives it (codes.toml names where it was seen).
        ("http://loinc.org", "8867-4", "vital-signs.", "vital-signs.pulse_per_min"),
        ("http://loinc.org", "59408-5", "vital-signs.", "vital-signs.spo2_percent"),
        ("http://snomed.info/sct", "289741005", "uterine-check.tone.", "uterine-check.tone.firm"),
        ("http://www.whocc.no/atc", "A02BB01", "medication.drug.", "medication.drug.misoprostol"),
        (
            "http://www.whocc.no/atc",
            "B05BB01",
            "fluid.fluid.",
            None,
        ),  # electrolytes: Ringer's lactate or saline
        (
            "http://snomed.info/sct",
            "237015004",
            "",
            None,
        ),  # surgical control of haemorrhage: not only a balloon
        ("http://hl7.org/fhir/sid/icd-10", "O72.1", "", "haemorrhage"),
        ("http://loinc.org", "81661-1", "", "blood-loss-measured"),
        ("http://snomed.info/sct", "364332008", "", "blood-loss"),
        ("http://snomed.info/sct", "71493000", "transfusion-of.", "transfusion-of.red-cells"),
        ("http://loinc.org", "LA9340-6", "vital-signs.mental_state.", "vital-signs.mental_state.alert"),
        ("http://loinc.org", "1234-5", "", None),
    ],
)
def test_a_partners_code_is_read_as_what_it_means(system: str, code: str, among: str, key: str | None) -> None:
    candidates = [each for each in keys() if (each.startswith(among) if among else each in ACTS)]
    assert find([{"system": system, "code": code}], candidates) == key


def test_our_own_code_decides_against_every_other_coding() -> None:
    codings = [
        {"system": "http://www.whocc.no/atc", "code": "H01BB02"},
        {"system": OWN_SYSTEM, "code": "carbetocin"},
    ]
    drugs = terminology.words("medication.drug")
    assert find(codings, drugs) == "medication.drug.carbetocin"
    assert find(codings, [each for each in drugs if not each.endswith("carbetocin")]) is None


def test_codings_that_contradict_each_other_are_not_read() -> None:
    codings = [
        {"system": "http://www.whocc.no/atc", "code": "H01BB02"},
        {"system": "http://www.whocc.no/atc", "code": "H01BB03"},
    ]
    assert find(codings, terminology.words("medication.drug")) is None


@pytest.mark.parametrize("codings", [[], [{}], [{"code": "fill"}], [{"system": OWN_SYSTEM}]])
def test_codings_without_system_and_code_are_not_read(codings: list[dict[str, str]]) -> None:
    assert find(codings, keys()) is None


@pytest.mark.parametrize("key", ["collector-reading", "stated-total", "urine-collector-reading", "urine-stated-total"])
def test_a_running_or_stated_total_carries_no_code_that_a_partner_would_sum(key: str) -> None:
    assert [coding.system for coding in concept(key).codings] == [OWN_SYSTEM]


@pytest.mark.parametrize("measure", ["measure.blood-loss-measured", "measure.blood-loss-visual", "measure.urine-total"])
def test_a_computed_total_carries_no_code_of_its_increments(measure: str) -> None:
    assert [coding.system for coding in concept(measure).codings] == [OWN_SYSTEM]
