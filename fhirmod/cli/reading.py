"""What `fhirmod show` reads: an episode of the record, or the cases of a file; a file of entries needs no store."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from fhirmod.episode import Episode, Moment, Protocol, Received, read_entry
from fhirmod.errors import BadParameterError, FhirmodError, InvalidError, NotFoundError
from fhirmod.validation import assessed

from .given import Told, given, text_of
from .showing import listed, shown

_ID = "00000000-0000-4000-8000-000000000000"
_MOST = 10_000
_OLD = timedelta(hours=48)  # common practice, no published source


def moment(text: str, option: str) -> datetime:
    """Return the instant that an option names.

    Errors: BadParameterError if it is none.
    """
    try:
        instant = Moment(text).instant
    except ValueError:
        instant = None
    if instant is None:
        raise BadParameterError(
            f"The time of --{option} must be an instant with offset such as 2026-03-01T04:20:00+01:00; got {text!r}.",
            place=option,
        )
    return instant


def listing(db: str) -> Iterator[str]:
    """Return a line for each episode of the record, last opened first."""
    from .opened import opened

    intake, request = opened(db, must_exist=True)
    with intake.store:
        rows = intake.store.read(lambda reader: reader.episodes(request().access, limit=_MOST))
    yield from map(listed, rows)
    if not rows:
        yield f"{db} holds no episode yet; `fhirmod demo --db {db}` loads the invented ones."


def from_record(db: str, name: str, as_of: datetime | None, known_at: datetime | None) -> Iterator[str]:
    """Return the lines of an episode of the record, by its id or the first letters of it.

    Errors: NotFoundError if no episode's id begins so; BadParameterError if several do.
    """
    from .opened import opened

    intake, request = opened(db, must_exist=True)
    with intake.store:
        access = request().access
        rows = intake.store.read(lambda reader: reader.episodes(access, limit=_MOST)) if len(name) < len(_ID) else []
        found = [row.id for row in rows if row.id.startswith(name)] or [name]
        if len(found) > 1:
            raise BadParameterError(f"{len(found)} episodes begin with {name!r}; give more letters of the id.")
        try:
            snapshot = intake.snapshot(access, found[0])
        except NotFoundError:
            raise NotFoundError(
                f"There is no episode {name!r} in {db}, and no such file; `fhirmod show --db {db}` lists what is there."
            ) from None
        now, last = request().now, last_entry(snapshot.episode)
        past = snapshot.row.drill or snapshot.status == "closed" or now - last > _OLD
        found_state = snapshot.state(as_of=as_of or (last if past else now), known_at=known_at)
    unread = [f"{one.reference}: {one.reason}" for one in snapshot.unread]
    yield from shown(snapshot.episode, found_state, unread, at_last=as_of is None and past)


def from_file(name: str, as_of: datetime | None, known_at: datetime | None) -> Iterator[str]:
    """Return the lines of each case of a file, by the default protocol; entries count as received when recorded.

    Errors: as `given`; InvalidError with the first entry that is unusable.
    """
    what = given(text_of(name))
    read: list[tuple[Episode, tuple[str, ...]]] = [(_episode(told), ()) for told in what.cases]
    if what.fhir is not None or what.lines:
        from .turning import episodes_of

        read = [(one.episode, one.lost) for one in episodes_of(what)]
    for number, (episode, lost) in enumerate(read):
        if number:
            yield ""
        at = as_of or last_entry(episode)
        state = assessed(episode, as_of=at, known_at=known_at, protocol=Protocol.default())
        yield from shown(episode, state, lost, at_last=as_of is None)


def last_entry(episode: Episode) -> datetime:
    """Return when the last entry that stands happened (recorded, where that is not known), in its own offset."""
    times = (one.instant or one.recorded_at.instant for one in episode.standing())
    return max((one for one in times if one is not None), default=episode.received[0].at)


def _episode(told: Told) -> Episode:
    at = told.opening.get("at")
    opening = read_entry({"kind": "opening", "id": _ID, "recorded_at": at} | told.opening)
    read = [opening]
    for number, entry in enumerate(told.entries):
        given_at = entry.get("at") if isinstance(entry, dict) else None
        filled = {"recorded_at": given_at} | entry if isinstance(given_at, str) else entry
        try:
            read.append(read_entry(filled))
        except FhirmodError as wrong:
            sentence = (
                f"Entry {number} cannot be read: {wrong.findings[0].sentence} `fhirmod check` lists all findings."
            )
            raise InvalidError(sentence, place=f"entries[{number}]") from None
    received = (Received(one, one.recorded_at.instant) for one in read if one.recorded_at.instant is not None)
    return Episode(opening.id).adding(received)
