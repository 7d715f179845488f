"""What `fhirmod convert` writes: for each case its text, and a sentence for each thing that was lost on the way."""

from collections.abc import Iterable, Iterator
from typing import Any, Literal

from fhirmod.errors import InvalidError
from fhirmod.exchange import AsEntries, bundle_of_lines, conversion
from fhirmod.intake import Request
from fhirmod.r4 import dump, entry_texts
from fhirmod.store import Access

from .given import Given, given, text_of
from .opened import clock_of_this_machine


def turned(
    name: str, *, lines: bool, type: Literal["collection", "transaction"]
) -> Iterator[tuple[bytes, tuple[str, ...]]]:
    """Return the text of each case of a file in the other form, and what was lost of it.

    Errors: as `given`; InvalidError if several cases cannot stand in one document.
    """
    what = given(text_of(name))
    if what.fhir is not None or what.lines:
        yield from _entries(episodes_of(what), lines=lines)
        return
    if len(what.cases) > 1 and not lines:
        raise _several(len(what.cases))
    with conversion(_request()) as converter:
        for told in what.cases:
            made = converter.to_fhir(told.opening, told.entries, type=type)
            texts = [text for text in entry_texts(made.bundle) if text is not None]
            yield b"".join(text + b"\n" for text in texts) if lines else made.bundle + b"\n", made.lost


def episodes_of(what: Given) -> list[AsEntries]:
    """Return the episodes of what was given as FHIR.

    Errors: as `Converter.to_entries`.
    """
    text = what.fhir if what.fhir is not None else bundle_of_lines(what.lines)
    with conversion(_request()) as converter:
        return converter.to_entries(text)


def _entries(found: list[AsEntries], *, lines: bool) -> Iterator[tuple[bytes, tuple[str, ...]]]:
    if len(found) > 1 and not lines:
        raise _several(len(found))
    for one in found:
        if lines:
            yield _lines([one.opening, *one.entries]), one.lost
        else:
            entries = b",\n".join(b"  " + dump(entry) for entry in one.entries)
            yield b'{"opening": ' + dump(one.opening) + b',\n "entries": [\n' + entries + b"\n ]}\n", one.lost


def _lines(documents: Iterable[Any]) -> bytes:
    return b"".join(dump(one) + b"\n" for one in documents)


def _several(count: int) -> InvalidError:
    return InvalidError(f"There are {count} cases in it; one document holds one case, --lines writes them all.")


def _request() -> Request:
    clock = clock_of_this_machine()
    return Request(Access.whole("command line"), clock.now(), clock.new_id)
