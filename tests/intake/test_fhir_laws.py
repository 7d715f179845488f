"""The laws hold whatever FHIR clients do to the images of entries, beside a bedside that goes on."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import Entry, Protocol
from fhirmod.errors import FhirmodError
from fhirmod.intake import Intake
from fhirmod.intake.rebuilding import expected
from fhirmod.r4 import dump, parse
from fhirmod.store import Version, open_store
from tests.any_entry import histories
from tests.backends import fresh_url

from .case import ALL, entry, opened, request

LAW = settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
DOINGS = st.lists(
    st.tuples(
        st.sampled_from(("delete", "delete", "put back", "in error", "note", "retract", "correct", "transaction")),
        st.integers(0, 10_000),
    ),
    min_size=1,
    max_size=8,
)


@contextmanager
def fresh(backend: str) -> Iterator[Intake]:
    with fresh_url(backend) as url, open_store(url) as store:
        yield Intake(store, Protocol.default())


def images(intake: Intake, episode: str) -> list[Version]:
    """Return the last version of every asserted resource of an episode."""
    found = {}
    for one in intake.store.read(lambda reader: reader.members(ALL, episode, owner="asserted")):
        found[one.type, one.id] = one
    return list(found.values())


def do(intake: Intake, episode: str, what: str, which: int) -> None:
    """Do something to one of an episode's images, as a FHIR client or at the bedside would; it may be refused."""
    here = images(intake, episode)
    one = here[which % len(here)]
    if what in ("delete", "transaction"):
        asked = {"request": {"method": "DELETE", "url": f"{one.type}/{one.id}"}}
        if what == "delete":
            intake.delete(request(), one.type, one.id)
        else:
            other = here[(which + 1) % len(here)]
            more = {"request": {"method": "DELETE", "url": f"{other.type}/{other.id}"}}
            entries = [asked] if other is one else [asked, more]
            intake.transaction(request(), dump({"resourceType": "Bundle", "type": "transaction", "entry": entries}))
    elif what == "put back":
        gone = [each for each in here if each.body is None]
        if gone:
            one = gone[which % len(gone)]
            past = intake.store.read(lambda reader: reader.history(ALL, one.type, one.id))
            before = next(each.body for each in past if each.body is not None)
            intake.update(request(), one.type, one.id, before)
    elif one.body is None:
        return
    elif what == "in error":
        operations = [{"op": "replace", "path": "/status", "value": "entered-in-error"}]
        intake.patch(request(), one.type, one.id, operations)
    elif what == "note":
        intake.patch(request(), one.type, one.id, [{"op": "add", "path": "/language", "value": "en"}])
    else:
        standing = [each for each in intake.snapshot(ALL, episode).episode.standing() if each.kind != "opening"]
        if standing:
            target = standing[which % len(standing)]
            intake.append(request(), episode, [answer_to(target, what)])


def answer_to(target: Entry, what: str) -> dict[str, Any]:
    if what == "retract":
        return entry("retraction", "09:00", retracts=target.id, reason="slip")
    again = {**target.document(), **entry(target.kind, "09:00"), "corrects": target.id, "reason": "read again"}
    return {name: value for name, value in again.items() if name != "recorded_at"}


@LAW
@given(history=histories(), doings=DOINGS)
def test_whatever_is_done_to_images_the_record_read_back_is_the_one_kept_and_rebuild_changes_nothing(
    backend: str, history: list[Entry], doings: list[tuple[str, int]]
) -> None:
    with fresh(backend) as intake:
        episode = opened(intake)
        intake.append(request(), episode, [one.document() for one in history])
        for what, which in doings:
            with suppress(FhirmodError):
                do(intake, episode, what, which)
            live = intake.snapshot(ALL, episode)
            cold = Intake(intake.store, intake.protocol).snapshot(ALL, episode)
            assert cold.episode.standing() == live.episode.standing(), what
            assert expected(cold).keys() == expected(live).keys(), what
        assert intake.rebuild(request()) == 0
        for one in images(intake, episode):
            if one.body is not None:
                assert parse(one.body)["meta"]["versionId"] == str(one.version)
