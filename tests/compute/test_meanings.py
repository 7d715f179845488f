"""Meanings that must not be blurred, each on a small case; source: common practice, no published source."""

from datetime import timedelta
from decimal import Decimal

import pytest

from fhirmod.episode import Protocol
from fhirmod.validation import assessed
from tests.compute.case import Case, record_codes, seen


def test_an_unrecordable_pressure_supersedes_the_last_number() -> None:
    case = Case()
    case.at("02:00", "vital-signs", pulse_per_min=120, systolic_mmhg=80, diastolic_mmhg=50)
    case.at("02:10", "vital-signs", pulse_per_min=140, systolic_mmhg={"absent": "could-not-measure"})
    signs = case.state("02:15").haemodynamics
    assert seen(signs.pressure.value, signs.pulse_per_min.value) == ("not-recordable", 140)
    assert seen(signs.shock_index.value, signs.direction) == ("could-not-measure", "could-not-measure")
    assert signs.thresholds == ()


def test_a_pressure_that_was_not_done_is_no_look() -> None:
    case = Case()
    case.at("02:00", "vital-signs", pulse_per_min=120, systolic_mmhg=80, diastolic_mmhg=50)
    case.at("02:10", "vital-signs", pulse_per_min=140, systolic_mmhg={"absent": "not-done"})
    signs = case.state("02:15").haemodynamics
    assert seen(signs.pressure.value, signs.pressure.age_min) == ("80/50", 15)


def test_a_palpated_pressure_has_no_mean() -> None:
    case = Case()
    case.at("02:00", "vital-signs", pulse_per_min=120, systolic_mmhg=80, palpated=True)
    signs = case.state("02:15").haemodynamics
    assert seen(signs.pressure.value, signs.mean_arterial_pressure, signs.diastolic_mmhg.value) == (
        "80/palpated",
        "not-applicable",
        "not-applicable",
    )
    assert signs.shock_index.value == 1.5


def test_stated_totals_stand_beside_the_ledger() -> None:
    case = Case()
    case.at("02:00", "blood-loss", method="visual", volume_ml=300)
    case.at("02:10", "blood-loss", method="visual", reading="stated-total", volume_ml=1500)
    loss = case.state("03:00").loss
    assert seen(loss.visual.ml, [one.ml for one in loss.stated]) == (300, [1500])


def test_a_collector_that_drops_without_being_emptied_is_a_finding() -> None:
    case = Case()
    for clock, ml in (("02:00", 300), ("02:30", 100), ("03:00", 150)):
        case.at(clock, "blood-loss", method="drape", reading="collector-total", collector="drape", volume_ml=ml)
    state = case.state("04:00")
    assert seen(state.loss.measured.ml, state.loss.measured.certainty) == (350, "at-least")
    assert record_codes(state) == ["record-collector-dropped"]


def test_a_reading_taken_as_the_collector_is_emptied_counts_once() -> None:
    case = Case()
    drape = {"method": "drape", "reading": "collector-total", "collector": "drape"}
    case.at("02:00", "blood-loss", volume_ml=300, emptied=True, **drape)
    case.at("02:30", "blood-loss", volume_ml=100, **drape)
    assert case.state("04:00").loss.measured.ml == 400


def test_nothing_recorded_is_not_zero() -> None:
    state = Case().state("04:00")
    assert (
        seen(state.loss.measured.ml, state.packs.open, state.haemodynamics.shock_index.value) == ("not-recorded",) * 3
    )
    assert state.axes.bleeding.word == "not-recorded"
    assert state.urine.ml == "not-recorded"


def test_a_drug_recorded_as_not_given_is_not_given() -> None:
    case = Case()
    case.at("02:00", "medication", drug="tranexamic-acid", given=False)
    case.at("02:00", "medication", drug="oxytocin", given=False)
    state = case.state("04:00")
    assert seen(state.txa.first, state.resuscitation.drugs, state.resuscitation.not_given) == (
        "not-done",
        {},
        ("oxytocin", "tranexamic-acid"),
    )


def test_heights_are_compared_within_one_scale_only() -> None:
    case = Case()
    case.at("02:00", "uterine-check", fundus_finger_breadths=-1, baseline=True)
    case.at("02:30", "uterine-check", fundus_above_symphysis_cm=18)
    assert case.state("03:00").fundus.risen == "no"
    case.at("02:45", "uterine-check", fundus_finger_breadths=0)
    risen = case.state("03:00").fundus
    assert seen(risen.rise, risen.risen) == (1, "yes")


@pytest.mark.parametrize(("cm", "risen"), [(19, "no"), (20, "yes")])
def test_two_centimetres_above_the_baseline_count(cm: int, risen: str) -> None:
    case = Case()
    case.at("02:00", "uterine-check", fundus_above_symphysis_cm=18, baseline=True)
    case.at("02:30", "uterine-check", fundus_above_symphysis_cm=cm)
    assert case.state("03:00").fundus.risen == risen


def test_without_a_baseline_a_rise_cannot_be_said() -> None:
    case = Case()
    case.at("02:30", "uterine-check", fundus_above_symphysis_cm=25)
    assert seen(case.state("03:00").fundus.risen, case.state("03:00").fundus.baseline) == (
        "not-assessable",
        "not-recorded",
    )


def test_intervals_count_from_the_last_baby() -> None:
    case = Case()
    case.at("02:00", "birth", baby=1)
    case.at("02:20", "birth", baby=2)
    case.at("02:50", "placement")
    assert case.state("04:00").timing("birth-to-placement").minutes == 30


def test_a_range_of_time_is_carried_into_the_interval() -> None:
    case = Case()
    case.at("02:00", "birth", at_range={"plus_minus_min": 5}, at_source="recalled")
    case.at("02:50", "placement")
    span = case.state("04:00").timing("birth-to-placement")
    assert seen(span.minutes, span.at_least_min, span.at_most_min, span.order) == (50, 45, 55, "determined")


def test_where_ranges_overlap_the_order_is_not_determined() -> None:
    case = Case()
    case.at("02:00", "birth", at_range={"plus_minus_min": 30})
    case.at("02:10", "placement")
    assert case.state("04:00").timing("birth-to-placement").order == "not-determined"


def test_a_verdict_that_the_range_straddles_is_not_given() -> None:
    case = Case()
    case.at("02:00", "birth", at_range={"plus_minus_min": 10})
    case.at("05:05", "medication", drug="tranexamic-acid")
    assert case.state("06:00").txa.first_window.word == "order-not-determined"


def test_an_unknown_time_gives_a_reason() -> None:
    case = Case()
    moment = case.moment("03:00").isoformat()
    case.add(
        {
            "kind": "birth",
            "id": "00000000-0000-4000-8000-0000000000b1",
            "at": {"absent": "not-known"},
            "recorded_at": moment,
        },
        "03:00",
    )
    case.at("03:50", "placement")
    assert case.state("04:00").timing("birth-to-placement").minutes == "not-known"


def test_a_device_clock_is_corrected_and_a_typed_time_is_not() -> None:
    case = Case()
    case.at("02:00", "birth")
    case.at("02:30", "placement", at_source="device-clock", clock_skew_s=-600)
    assert case.state("04:00").timing("birth-to-placement").minutes == 20


def test_death_stops_the_clocks_with_the_balloon_in() -> None:
    case = Case()
    case.at("02:00", "placement")
    case.at("02:10", "fill", volume_ml=300)
    case.at("04:00", "outcome", status="died")
    state = case.state("09:00")
    assert seen(state.axes.woman.word, state.axes.balloon.word) == ("died", "in-at-death")
    assert seen(state.balloons[0].dwell.minutes, state.now) == (120, case.moment("04:00"))
    assert seen(state.watch.overdue, state.watch.due, state.watch.phase) == (False, "not-applicable", "none")
    assert {one.status for one in state.near_miss.items} == {"not-applicable"}
    assert state.balloons[0].cavity.volume.ml == 300


def test_an_acceptance_before_she_leaves_is_a_promise() -> None:
    case = Case()
    case.at("02:00", "opening", facility={"id": "sender"})
    case.at("02:10", "transfer", step="called")
    case.at("02:20", "custody", answer="accepted", facility={"id": "receiver"})
    assert case.state("02:30").axes.care.word == "facility"
    assert case.state("02:30").care.accepted_by == "receiver"
    case.at("02:40", "transfer", step="departed", escort="midwife")
    case.at("03:40", "transfer", step="arrived")
    assert case.state("03:50").axes.care.word == "on-the-way"
    assert [one.who for one in case.state("03:50").care.holders] == ["sender", "midwife"]


def test_a_record_is_closed_and_reopened() -> None:
    case = Case()
    case.at("02:00", "birth")
    case.at("03:00", "sign-off")
    assert case.state("04:00").axes.record.word == "closed"
    case.at("05:00", "note", text="found on paper")
    assert case.state("06:00").axes.record.word == "reopened"


def test_an_attempt_that_did_not_end_with_a_balloon_in_place() -> None:
    case = Case()
    case.at("02:00", "placement-attempt")
    assert case.state("03:00").axes.balloon.word == "attempted-not-placed"


def test_a_displaced_balloon_found_in_place_again() -> None:
    case = Case()
    case.at("02:00", "placement")
    case.at("02:10", "fill", volume_ml=300)
    case.at("02:40", "examination", position="displaced")
    assert case.state("02:50").axes.balloon.word == "displaced"
    case.at("03:00", "examination", position="in-place")
    assert case.state("03:10").axes.balloon.word == "in"


def test_a_withdrawal_for_pain_opens_no_trial() -> None:
    case = Case()
    case.at("02:00", "placement")
    case.at("02:10", "fill", volume_ml=300)
    case.at("03:00", "withdrawal", volume_ml=50, purpose="pain")
    assert case.state("04:00").axes.trial.word == "none"


def test_a_fill_during_a_trial_interrupts_it() -> None:
    case = Case()
    case.at("02:00", "placement")
    case.at("02:10", "fill", volume_ml=300)
    case.at("08:00", "withdrawal", volume_ml=50, purpose="trial")
    case.at("08:10", "fill", volume_ml=50)
    assert case.state("09:00").axes.trial.word == "interrupted"


def test_a_stop_that_bleeding_broke_prints_no_time() -> None:
    case = Case()
    case.at("02:00", "placement")
    case.at("02:10", "fill", volume_ml=300)
    case.at("02:15", "bleeding-response", response="stopped")
    assert case.state("02:20").balloons[0].stop.time_to_first_stop_min == 5
    case.at("02:40", "bleeding-response", response="returned")
    stop = case.state("03:00").balloons[0].stop
    assert seen(stop.time_to_first_stop_min, stop.held, stop.held_min) == ("did-not-hold", "returned", 25)


def test_a_round_in_parts_within_five_minutes_is_full_and_beyond_is_partial() -> None:
    def told(last: str) -> object:
        case = Case()
        case.at("02:00", "placement")
        case.at("02:10", "fill", volume_ml=300)
        case.at("02:20", "vital-signs", pulse_per_min=90, systolic_mmhg=100, mental_state="alert")
        case.at("02:22", "bleeding-response", response="reduced")
        case.at(last, "uterine-check", fundus_finger_breadths=0)
        return case.state("02:30").watch.last_full_round == case.moment("02:20")

    assert seen(told("02:25"), told("02:26")) == (True, False)


def test_the_table_of_a_site_widens_the_watch() -> None:
    case = Case()
    case.at("02:00", "placement")
    case.at("02:00", "fill", volume_ml=300)
    case.round("04:30")
    site = Protocol.read(
        b'id = "w"\nversion = "1"\nsource = "ward"\n[watch.every_min]\n'
        b"since_fill = [{ from_min = 0, every_min = 15 }, { from_min = 120, every_min = 30 }]\n"
    )
    assert case.state("04:35", protocol=site).watch.due == case.moment("05:00")
    assert case.state("04:35").watch.due == case.moment("04:45")
    case.at("04:40", "transfer", step="departed")
    assert case.state("04:41", protocol=site).watch.due == case.moment("04:55")


def test_red_cells_by_unit_number_count_one_each() -> None:
    case = Case()
    case.at("02:00", "transfusion", product="red-cells", unit_number="A1")
    case.at("02:30", "transfusion", product="red-cells", unit_number="A2")
    case.at("02:40", "transfusion", product="plasma", volume_ml=250)
    given = case.state("03:00").resuscitation
    assert seen(given.red_cell_units, given.products["plasma"].ml) == (2, 250)


def test_refusals_are_said() -> None:
    case = Case()
    case.at("02:00", "consent", answer="refused", scope="blood-products", refused_products=["red-cells"])
    stops = case.state("03:00").stops
    assert seen(stops.refuses_blood, stops.refused_products) == ("yes", ("red-cells",))


def test_the_forty_fields_of_an_empty_record() -> None:
    empty = Case().state("03:00").completeness
    assert seen(empty.of, empty.recorded) == (40, 1)  # the case id


def test_every_verdict_names_its_parameters_and_source() -> None:
    case = Case()
    case.at("02:00", "birth")
    case.at("02:30", "medication", drug="tranexamic-acid")
    case.at("03:00", "placement")
    case.round("03:30")
    state = case.state("04:00")
    assert state.txa.first_window.parameters == ("txa.first_within_min 180 min",)
    assert "tranexamic" in state.txa.first_window.source
    limits = state.balloons[0].dwell_against_limits
    assert seen(limits.word, limits.parameters) == ("before-earliest", ("dwell.earliest_h 6 h", "dwell.latest_h 24 h"))
    assert seen(state.watch.parameter, state.watch.every_min) == ("watch.every_min.since_fill", 15)
    assert state.fundus.parameter == "fundus.rise_finger_breadths 1 {finger-breadth}"


def test_the_moment_after_a_watch_began_has_no_share_yet() -> None:
    """A span is given to the hundredth of a minute (`minutes`): 0.2 s is 0.00 min, of which nothing is a percentage."""
    case = Case()
    case.at("03:00", "placement")
    at = case.moment("03:00")
    short, longer = (
        assessed(case.episode, as_of=at + timedelta(seconds=s), protocol=Protocol.default()).watch.stretches[0]
        for s in (0.2, 0.4)
    )
    assert seen(short.minutes, short.covered_percent) == (0, "not-yet")
    assert seen(longer.minutes, longer.covered_percent) == (Decimal("0.01"), 100)
