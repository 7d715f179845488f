"""Each rule against its cases, and each case against a broken rule: it must notice."""

import re
from dataclasses import replace

import pytest

from fhirmod.compute import View
from fhirmod.episode import Protocol, Threshold
from fhirmod.validation import RULES, Rule, catalogue
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place
from fhirmod.validation.rule import Told as Says

from .told import CASES, FOLDER, Told

IDS = [f"{case.rule}/{case.path.stem}" for case in CASES]


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_a_case_finds_what_it_says_and_nothing_else(case: Told) -> None:
    assert case.document["title"]
    assert case.document["source"]
    assert case.shown() == case.expected
    assert any(rule == case.rule for rule, _ in case.expected) == case.fails


@pytest.mark.parametrize("case", [one for one in CASES if one.fails], ids=lambda one: f"{one.rule}/{one.path.stem}")
def test_a_rule_that_says_nothing_is_noticed(case: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(RULES, case.rule, replace(RULES[case.rule], check=_silent))
    assert case.shown() != case.expected


@pytest.mark.parametrize("case", [one for one in CASES if not one.fails], ids=lambda one: f"{one.rule}/{one.path.stem}")
def test_a_rule_that_always_speaks_is_noticed(case: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(RULES, case.rule, replace(RULES[case.rule], check=_loud))
    assert case.shown() != case.expected


def _silent(facts: Facts) -> Says:
    yield from ()


def _loud(facts: Facts) -> Says:
    yield Place(None, "episode"), "Always."


def test_rules_and_folders_and_catalogue_are_the_same_sets() -> None:
    folders = {path.name for path in FOLDER.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert folders == set(RULES) == {one.id for one in catalogue()}
    for rule in RULES:
        names = {one.path.name.partition("-")[0] for one in CASES if one.rule == rule}
        assert names == {"pass", "fail"}, rule


def test_at_least_35_rules_and_exactly_the_six_that_may_interrupt() -> None:
    assert len(RULES) >= 35
    assert {one.id for one in catalogue() if one.tier == "now"} == {
        "bleeding-not-stopped",
        "fundus-risen",
        "shock-signs",
        "watch-lapsed",
        "bleeding-let-down",
        "conflict",
    }


@pytest.mark.parametrize("rule", catalogue(), ids=lambda one: one.id)
def test_what_decides_a_rule_is_named_and_in_the_protocol_with_its_source(rule: Rule) -> None:
    one = rule
    assert one.source.citation
    steps = {"watch.every_min.since_fill", "reconciliation.tolerance_ml"}
    for name in set(one.parameters) - steps:
        assert Protocol.default().of(name).source.citation


@pytest.mark.parametrize("rule", sorted(RULES))
def test_a_rule_reads_the_parameters_it_names_and_no_others(rule: str, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: set[str] = set()
    plain = Facts.of

    def noting(facts: Facts, name: str) -> Threshold:
        asked.add(name)
        return plain(facts, name)

    monkeypatch.setattr(Facts, "of", noting)
    for case in [one for one in CASES if one.rule == rule]:
        list(RULES[rule].check(facts_of(case)))
    table = {name for name in RULES[rule].parameters if name.startswith("watch.every_min")} - {
        "watch.every_min.in_transit"
    }
    named = set(RULES[rule].parameters) - table - {"reconciliation.tolerance_ml"}
    if rule == "watch-lapsed":
        named.discard("watch.every_min.in_transit")
    assert asked == named


def facts_of(case: Told) -> Facts:
    view = View.of(case.episode, as_of=case.as_of, known_at=None, protocol=case.protocol)
    return Facts(case.episode, view)


@pytest.mark.parametrize("case", [one for one in CASES if one.fails], ids=lambda one: f"{one.rule}/{one.path.stem}")
def test_a_finding_has_a_key_a_time_and_a_place_in_the_record(case: Told) -> None:
    keys = set()
    for one in case.found():
        assert one.key
        assert one.key not in keys
        keys.add(one.key)
        assert one.since is not None
        assert one.since <= case.as_of or one.code.startswith("record-")
        assert one.source is not None
        for entry in re.findall(r"id='([^']+)'", one.place):
            assert entry in case.episode.by_id
        assert one.sentence.endswith(".")


@pytest.mark.parametrize(
    "name",
    ["pass-single-index-0.9", "pass-drugs-before-birth", "pass-late-entry", "pass-no-udi", "pass-let-down-for-pain"],
)
def test_what_is_nobodys_rule_is_quiet(name: str) -> None:
    [case] = [one for one in CASES if one.path.stem == name]
    assert [one for one in case.shown() if one[0] != case.rule] == []
