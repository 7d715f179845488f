"""`fhirmod rules`: the catalogue as it is, in 80 columns; one rule in full; lines for programs."""

import json
from pathlib import Path

from fhirmod.validation import RULES

from .test_show import fhirmod


def test_every_rule_is_listed_with_its_words_under_its_tier(tmp_path: Path) -> None:
    shown = fhirmod("rules", cwd=tmp_path)
    assert (shown.returncode, shown.stderr) == (0, "")
    lines = shown.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    ids = [line.strip() for line in lines if line.startswith("  ") and line[2:3].strip()]
    assert sorted(ids) == sorted(RULES)
    assert [line.split()[0] for line in lines if line[:1].isalpha()][:3] == ["now", "soon", "review"]
    text = " ".join(shown.stdout.split())
    assert all(" ".join(rule.text.split()) in text for rule in RULES.values())
    assert f"{len(RULES)} rules." in text


def test_the_rules_of_one_tier_as_lines(tmp_path: Path) -> None:
    lines = fhirmod("rules", "--tier", "now", "--json", cwd=tmp_path).stdout.splitlines()
    told = [json.loads(line) for line in lines]
    assert {one["id"] for one in told} == {one.id for one in RULES.values() if one.tier == "now"}
    assert 1 <= len(told) <= 6  # at most six may interrupt
    assert all(one["source"] and one["text"] for one in told)


def test_one_rule_is_told_in_full(tmp_path: Path) -> None:
    for name in sorted(RULES)[:2]:
        shown = fhirmod("rules", name, cwd=tmp_path).stdout
        assert shown.splitlines()[0] == name
        assert max(map(len, shown.splitlines())) <= 80
        assert " ".join(RULES[name].source.citation.split()) in " ".join(shown.split())


def test_a_rule_that_there_is_not_says_how_to_find_one(tmp_path: Path) -> None:
    done = fhirmod("rules", "perfection", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "There is no rule 'perfection'; `fhirmod rules` lists them all.\n"
