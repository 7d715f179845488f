"""Criteria that are questions: met by a yes, not met by a no, never by silence."""

import pytest

from tests.compute.case import Case

# WHO near-miss items (reprint of the WHO table) that only a person can answer.
ITEMS = ["acute-cyanosis", "gasping", "total-paralysis", "jaundice-with-pre-eclampsia"]


@pytest.mark.parametrize("item", ITEMS)
@pytest.mark.parametrize(("answer", "status"), [("yes", "met"), ("no", "not-met"), (None, "not-assessable")])
def test_a_near_miss_item_is_as_it_was_answered(item: str, answer: str | None, status: str) -> None:
    case = Case()
    case.at("02:10", "birth")
    asked = {} if answer is None else {item.replace("-", "_"): answer}
    case.at("10:00", "outcome", status="alive", **asked)
    found = {one.name: one.status for one in case.state("12:00").near_miss.items}
    assert found[item] == status


def criteria(case: Case, name: str) -> tuple[str, dict[str, str]]:
    [found] = [one for one in case.state("12:00").warning if one.name == name]
    return found.status, {one.name: one.status for one in found.criteria}


def test_a_nurses_concern_alone_is_enough_and_pain_alone_is_not() -> None:
    """Shields LE et al., AJOG 2016;214:527: one severe criterion, or two lesser ones."""
    worried, hurting = Case(), Case()
    worried.at("03:00", "vital-signs", nurse_concern="yes")
    hurting.at("03:00", "vital-signs", disproportionate_pain="yes")
    assert criteria(worried, "sustained-trigger-2016")[0] == "met"
    status, found = criteria(hurting, "sustained-trigger-2016")
    assert (status, found["disproportionate-pain"]) == ("incomplete", "met")


def test_headache_counts_with_pre_eclampsia_only() -> None:
    """Mhyre JM et al., Obstet Gynecol 2014;124:782."""
    case = Case()
    case.at("03:00", "vital-signs", headache_or_breathless="yes")
    assert criteria(case, "obstetric-early-warning-2014")[0] == "met"
    case.at("02:00", "background", hypertension="no")
    found = criteria(case, "obstetric-early-warning-2014")[1]
    assert found["with-pre-eclampsia-headache-or-breathlessness"] == "not-applicable"


def test_the_level_of_care_is_a_field_of_the_minimum_set() -> None:
    case = Case()
    case.at("02:00", "background", level_of_care="primary")
    fields = {one.name: one.status for one in case.state("03:00").completeness.fields}
    assert fields["level-of-care"] == "recorded"
