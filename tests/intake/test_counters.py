"""What one bedside entry costs, counted: it may not grow with the length of the episode."""

from collections.abc import Callable
from typing import Any

import pytest

from fhirmod import r4
from fhirmod.intake import Intake

from .case import ALL, entry, opened, request, told


def vitals(minute: int) -> dict[str, Any]:
    at = f"{3 + minute // 60:02}:{minute % 60:02}"
    return entry(
        "vital-signs",
        at,
        pulse_per_min=100 + minute % 20,
        systolic_mmhg=100,
        diastolic_mmhg=60,
        spo2_percent=97,
    )


def cost(intake: Intake, episode: str, minute: int) -> tuple[int, int, int]:
    """Return the SQL statements, commits and versions of one vital-signs entry."""
    before = intake.store.counters
    versions = len(intake.store.read(lambda reader: reader.members(ALL, episode)))
    intake.append(request(), episode, [vitals(minute)])
    after = intake.store.counters
    grown = len(intake.store.read(lambda reader: reader.members(ALL, episode))) - versions
    return after.statements - before.statements, after.commits - before.commits, grown


def test_statements_commits_and_versions_of_an_entry_do_not_depend_on_the_episodes_length(
    intake: Intake,
) -> None:
    episode = opened(intake)
    intake.append(request(), episode, told())
    short = cost(intake, episode, 0)
    intake.append(request(), episode, [vitals(minute) for minute in range(1, 150)])
    assert cost(intake, episode, 150) == short
    assert short[1] == 1
    assert short[0] <= 16
    assert short[2] == 8  # pulse, pressure, saturation, panel; shock index, mean and pulse pressure; Provenance


def test_a_full_round_moves_one_task_however_long_the_episode_is(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, told())

    def round_cost(minute: int) -> tuple[int, int]:
        at = f"{3 + minute // 60:02}:{minute % 60:02}"
        intake.append(request(), episode, [vitals(minute) | {"mental_state": "alert"}])
        intake.append(request(), episode, [entry("bleeding-response", at, response="stopped")])
        before, versions = intake.store.counters, intake.store.read(lambda reader: reader.members(ALL, episode))
        intake.append(request(), episode, [entry("uterine-check", at, fundus_finger_breadths=0)])
        after = intake.store.read(lambda reader: reader.members(ALL, episode))
        return intake.store.counters.statements - before.statements, len(after) - len(versions)

    short = round_cost(0)
    intake.append(request(), episode, [vitals(minute) for minute in range(1, 150)])
    assert round_cost(150) == short
    assert short[1] == 3  # the check, the Task of the next round, Provenance


def test_a_bedside_entry_is_never_parsed_back_and_each_resource_is_dumped_once(
    new_intake: Callable[[], Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    intake = new_intake()
    episode = opened(intake)
    calls = {"parse": 0, "dump": 0}
    for module in ("bedside", "putting", "snapshot", "exchanged"):
        for name, plain in (("parse", r4.parse), ("dump", r4.dump)):
            place = f"fhirmod.intake.{module}.{name}"

            def counted(*args: Any, _plain: Any = plain, _name: str = name, **rest: Any) -> Any:
                calls[_name] += 1
                return _plain(*args, **rest)

            monkeypatch.setattr(place, counted, raising=False)
    intake.append(request(), episode, [vitals(0)])
    assert calls == {"parse": 0, "dump": 8 + 1}  # one for each resource, one for the digest
