"""What is said of a device's label: doubts and contradictions, for review only, and nothing where there is no UDI."""

import pytest

from fhirmod.compute import label_findings
from fhirmod.episode import DeviceFacts, Protocol
from fhirmod.errors import Finding
from fhirmod.validation import findings
from tests.compute.case import Case

# HL7 US Core at 85bf4af6, Device-infusion-pump; and the number of its Device-defib, which fails its check digit.
RIGHT = "(01)00812345678901(17)270131(10)LOT789XYZ(21)IP2000-123456"
WRONG = "(01)99863313444316(10)LOT789XYZ"


def said(case: Case, clock: str = "06:00") -> dict[str, str]:
    return {one.code: one.sentence for one in doubts(case, clock)}


def doubts(case: Case, clock: str = "06:00") -> list[Finding]:
    standing = case.episode.standing(as_of=case.moment(clock))
    return [doubt for one in standing if isinstance(one, DeviceFacts) for doubt in label_findings(one)]


def test_a_device_without_an_identifier_is_normal() -> None:
    case = Case()
    case.at("02:00", "placement", device="improvised-condom-catheter")
    assert said(case) == {}


def test_a_right_label_is_no_finding_whatever_was_typed_beside_it_says_the_same() -> None:
    case = Case()
    facts = {"lot": "LOT789XYZ", "serial": "IP2000-123456", "expires": "2027-01"}
    case.at("02:00", "placement", udi=RIGHT, **facts)
    assert said(case) == {}


def test_a_wrong_check_digit_is_said_for_review_and_refuses_nothing() -> None:
    case = Case()
    entry = case.at("02:00", "balloon-preparation", udi=WRONG)
    [finding] = doubts(case)
    assert finding.code == "record-udi-check-digit"
    found = findings(case.episode, as_of=case.moment("06:00"), protocol=Protocol.default())
    [said] = [one for one in found if one.code == "record-label-doubtful"]
    assert (said.place, said.sentence) == (finding.place, finding.sentence)
    assert (finding.severity, finding.tier, finding.place) == ("warning", "review", f"entries.where(id='{entry}').udi")
    assert finding.sentence == (
        f"The UDI of entry {entry} has the check digit 6 where its digits give 2, so it names no device; it may be "
        "misread."
    )


@pytest.mark.parametrize(
    ("name", "typed"), [("lot", "LOT789XYY"), ("serial", "123456"), ("expires", "2027-02"), ("expires", "2026")]
)
def test_what_was_typed_against_the_identifier_is_said(name: str, typed: str) -> None:
    case = Case()
    case.at("02:00", "placement", udi=RIGHT, **{name: typed})
    assert list(said(case)) == [f"record-udi-{name}-differs"]


def test_a_corrected_label_is_no_finding_any_more() -> None:
    case = Case()
    first = case.at("02:00", "placement", udi=WRONG)
    case.at("02:10", "placement", udi=RIGHT, corrects=first, reason="scanned again")
    assert said(case) == {}


def label(case: Case) -> dict[str, object]:
    facts = case.state("06:00").balloons[0].facts
    return {name: str(facts[name]) for name in ("identifier", "lot", "serial", "expires")}


def test_the_state_says_what_the_label_says_and_what_was_typed_over_it() -> None:
    case = Case()
    case.at("01:50", "balloon-preparation", device="purpose-made", udi=RIGHT, lot="PREPARED")
    case.at("02:00", "placement", expires="2027-01-15")
    assert label(case) == {
        "identifier": "00812345678901",
        "lot": "PREPARED",
        "serial": "IP2000-123456",
        "expires": "2027-01-15",
    }


def test_an_improvised_balloon_has_no_label_to_miss() -> None:
    case = Case()
    case.at("02:00", "placement", device="improvised-condom-catheter")
    assert set(label(case).values()) == {"not-applicable"}
    other = Case()
    other.at("02:00", "placement", device="purpose-made")
    assert set(label(other).values()) == {"not-recorded"}
