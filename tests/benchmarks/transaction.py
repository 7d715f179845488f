"""A case of about a hundred resources as one transaction, checked, against the same path with every check left out.

What the baseline leaves out is the judgement of R4 (structure, bindings, invariants, profiles) of the Bundle and all its
resources; it parses, places, links, reads entries, computes and writes as the other does, into a store of its own.
Processor time of all threads: a disk that is waited for would make the ratio smaller than the work is.
"""

import gc
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from statistics import median
from unittest.mock import patch

from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.r4 import parse
from fhirmod.store import open_store
from tests.intake import partner
from tests.intake.case import request

RESOURCES = 100


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    """Return milliseconds of both and their ratio."""
    text = _case()
    rounds = 5 if short else 25
    with ExitStack() as stack:
        checked, unchecked = (stack.enter_context(_intake()) for _ in range(2))
        spent: dict[str, list[float]] = {"checked": [], "unchecked": []}
        for _ in range(rounds + 1):
            with patch("fhirmod.intake.incoming.refusals", lambda *_: ()):
                spent["unchecked"].append(_once(unchecked, text))
            spent["checked"].append(_once(checked, text))
    checked_ms, unchecked_ms = (median(spent[name][1:]) for name in ("checked", "unchecked"))
    size = len(parse(text)["entry"])
    return [
        (f"transaction of {size} resources, ms", checked_ms, "all checks"),
        (f"the same {size}, ms", unchecked_ms, "no check of R4"),
        ("ratio", checked_ms / unchecked_ms, "checked over unchecked; at most 1.5 is asked"),
    ]


def _once(intake: Intake, text: bytes) -> float:
    gc.collect()
    gc.disable()
    try:
        start = time.process_time()
        written, _ = intake.transaction(request(), text)
        spent = (time.process_time() - start) * 1000
    finally:
        gc.enable()
    assert all(one.created for one in written)
    return spent


def _case() -> bytes:
    """Return a transaction of a hundred resources of one case, as another system would send it: all of it new."""
    first = partner.case()
    resources = list(first)
    minute = 0
    while len(resources) < RESOURCES:
        minute += 5
        clock = f"T{4 + minute // 60:02}:{minute % 60:02}:00+01:00"
        some = (first[2], first[4], first[5], first[7])
        resources += [{**one, "effectiveDateTime": f"2026-03-01{clock}"} for one in some]
    return partner.transaction(resources[:RESOURCES])


@contextmanager
def _intake() -> Iterator[Intake]:
    with tempfile.TemporaryDirectory() as folder, open_store(f"sqlite:///{folder}/record.db") as store:
        yield Intake(store, Protocol.default())
