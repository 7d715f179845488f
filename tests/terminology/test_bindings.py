"""The table against the entries: equal sets, equal units, unique stable codes."""

import re

import pytest

import terminology
from fhirmod.episode import AbsentReason
from terminology import keys
from terminology.table import table
from tests.terminology.vocabulary import Question, everything

# Rows that no entry kind, field or word asks for: shared words, what resources need besides, documents, measures.
STRUCTURAL = {
    "absent.could-not-measure", "absent.not-applicable", "absent.not-done", "absent.not-known",
    "answer.no", "answer.yes", "other", "status.alive", "status.died", "anchor", "device.balloon",
    "vital-signs.panel", "vital-signs.blood-pressure", "round", "birth.time", "blood-loss-measured",
    "blood-loss-visual", "collector-reading", "stated-total", "urine-collector-reading",
    "urine-stated-total", "fluid-collector-reading", "fluid-stated-total",
    "transfusion-of.cryoprecipitate", "transfusion-of.fibrinogen", "transfusion-of.plasma",
    "transfusion-of.platelets", "transfusion-of.red-cells", "transfusion-of.whole-blood",
    "site.cervix", "site.uterine-cavity", "site.uterus", "site.vagina", "category.encounter-diagnosis",
    "category.exam", "category.laboratory", "category.procedure", "category.survey",
    "category.therapy", "category.vital-signs", "custody.facility", "transfer.from_facility", "transfer.to_facility", "security.drill", "flag.balloon-in-place", "document.episode",
    "due.round", "due.tamponade", "due.trial", "due.removal", "due.after-removal", "due.parameter", "due.since",
    "due.why.died", "due.why.other-facility", "due.why.record-closed", "due.why.expelled", "due.why.another-placed",
    "due.why.balloon-out", "due.why.interrupted", "due.why.result-not-recorded",
    "document.procedure", "document.referral", "document.transfer", "section.allergies",
    "section.blood-loss", "section.course", "section.devices", "section.medications", "section.plan",
    "section.pregnancies", "section.problems", "section.procedures", "section.reason-for-referral",
    "section.results", "section.vital-signs", "measure.balloon-total-in", "measure.balloon-total-out",
    "measure.balloon-reconciliation", "measure.balloon-volume", "measure.balloon-volume-peak",
    "measure.bleeding-at-15-min", "measure.blood-loss-measured", "measure.blood-loss-since-placement",
    "measure.blood-loss-visual", "measure.balloon-dwell", "measure.fluid-total",
    "measure.mean-arterial-pressure", "measure.modified-shock-index", "measure.packs-in", "measure.packs-out",
    "measure.pulse-pressure", "measure.shock-index", "measure.time-to-first-reduced",
    "measure.time-to-first-stop", "measure.urine-total",
}  # fmt: skip
ASKED = {key: question for key, question in everything().items() if question is not None}


def test_the_table_and_the_entries_are_equal_sets() -> None:
    asked = set(everything()) | {f"{key}.{word}" for key, each in ASKED.items() for word in each.words}
    have = set(keys())
    assert asked - have == set(), "add a row to terminology/bindings.toml for each"
    assert have - asked == STRUCTURAL, "a row that nothing asks for"


def test_every_reason_for_an_absent_value_has_a_row() -> None:
    reasons = {key.removeprefix("absent.") for key in keys() if key.startswith("absent.")}
    assert reasons == set(AbsentReason.__args__)  # type: ignore[attr-defined]


@pytest.mark.parametrize(("key", "question"), ASKED.items(), ids=list(ASKED))
def test_a_question_has_the_unit_and_the_words_of_its_field(key: str, question: Question) -> None:
    assert terminology.concept(key).unit == question.unit
    assert set(terminology.words(key)) == {f"{key}.{word}" for word in question.words}


def test_own_codes_are_unique_and_plain() -> None:
    codes = [row["code"] for row in table().rows.values() if "code" in row]
    assert len(codes) == len(set(codes))
    # R4 code: no white space; and kebab-case, so that an id can be made of it.
    assert [code for code in codes if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code)] == []


def test_a_row_is_either_a_concept_or_another_row() -> None:
    concept = {"code", "display", "unit", "words", "same", "broader", "narrower", "neighbour"}
    for key, row in table().rows.items():
        assert set(row) == {"same_as"} or {"code", "display"} <= set(row) <= concept, key
        assert row.get("same_as", key) in table().rows, key


def test_every_code_named_is_listed_and_every_code_listed_is_named() -> None:
    relations = ("same", "broader", "narrower", "neighbour")
    named = {name for row in table().rows.values() for relation in relations for name in row.get(relation, ())}
    assert named == set(table().codes)


def test_displays_are_given_and_differ_among_the_answers_of_a_question() -> None:
    for key in keys():
        concept = terminology.concept(key)
        assert concept.display.strip() == concept.display != ""
        assert all(coding.display for coding in concept.codings)
        answers = [terminology.concept(word).display for word in terminology.words(key)] if "." in key else []
        assert len(answers) == len(set(answers)), key


def test_an_unknown_key_is_named_with_the_nearest_one() -> None:
    with pytest.raises(KeyError, match='There is no concept "fil"; did you mean "fill"') as raised:
        terminology.concept("fil")
    assert isinstance(raised.value, terminology.UnknownConceptError)


def test_a_concept_is_one_object_and_its_codeable_is_shared() -> None:
    assert terminology.concept("fill") is terminology.concept("fill")
    assert terminology.concept("fill").codeable is terminology.concept("fill").codeable
