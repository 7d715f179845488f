"""Findings over HTTP: in the answer to a write, in the state, listed by tier, and acknowledged by name."""

from typing import Any

from starlette.testclient import TestClient

from fhirmod.validation import RULES
from tests.api.test_bedside import opened
from tests.intake.case import entry


def wrote(client: TestClient, episode: str, *entries: Any) -> list[dict[str, Any]]:
    answer = client.post(f"{episode}/entries", json=list(entries))
    assert {one["status"] for one in answer.json()["entries"]} == {"accepted"}, answer.text
    return list(answer.json()["findings"])


def asked(client: TestClient, episode: str, query: str) -> list[dict[str, Any]]:
    return list(client.get(f"{episode}/findings?{query}").json()["findings"])


def test_a_write_answers_with_the_open_findings_and_with_fewer_once_they_are_answered(client: TestClient) -> None:
    episode = opened(client)
    asthma = entry("background", "02:10", asthma="yes")
    dose = entry("medication", "02:20", drug="carboprost", dose={"value": 250, "unit": "ug"})
    [found] = wrote(client, episode, asthma, dose)
    assert (found["code"], found["tier"], found["severity"]) == ("conflict", "now", "warning")
    assert found["place"] == f"entries.where(id='{dose['id']}').drug"
    assert found["key"] == f"conflict:{dose['id']}:drug"
    assert found["since"].startswith("2026-03-01T02:20")
    assert wrote(client, episode, entry("vital-signs", "02:25", spo2_percent=97)) == []


def test_findings_are_listed_by_tier_as_of_a_moment(client: TestClient) -> None:
    episode = opened(client)
    wrote(client, episode, entry("placement", "02:50"), entry("fill", "02:52", volume_ml=300))
    at = "as_of=2026-03-01T03:10:00Z"
    whole = asked(client, episode, at)
    assert {one["code"] for one in whole} <= set(RULES)
    assert {one["tier"] for one in whole} == {"soon", "review"}
    assert {one["tier"] for one in asked(client, episode, f"{at}&tier=review")} == {"review"}
    assert asked(client, episode, "as_of=2026-03-01T02:40:00Z&tier=soon") == []
    assert client.get(f"{episode}/findings?tier=later").status_code == 400
    shown = client.get(f"{episode}/state?{at}").json()
    assert [one["key"] for one in shown["findings"]] == [one["key"] for one in whole if one["tier"] != "review"]


def test_an_acknowledgement_needs_a_name_and_lasts_one_interval(client: TestClient) -> None:
    episode = opened(client)
    wrote(client, episode, entry("placement", "02:50"), entry("fill", "02:52", volume_ml=300))
    wrote(client, episode, entry("bleeding-response", "03:10", response="not-stopped"))
    [found] = asked(client, episode, "as_of=2026-03-01T03:12:00Z&tier=now")
    seen = entry("acknowledgement", "03:12", finding=found["key"])
    assert client.post(f"{episode}/entries", json=seen).status_code == 422
    wrote(client, episode, entry("acknowledgement", "03:12", finding=found["key"], performed_by={"id": "d1"}))
    [quiet] = asked(client, episode, "as_of=2026-03-01T03:20:00Z&tier=now")
    assert quiet["acknowledged_until"].startswith("2026-03-01T03:27")
    [again] = asked(client, episode, "as_of=2026-03-01T03:30:00Z&tier=now")
    assert "acknowledged_until" not in again
