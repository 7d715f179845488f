"""Speed of the mapping: an episode's JSON in, its FHIR Bundle's JSON out, against the plain way and another library.

Targets: at most 3 times the plain way (orjson, dicts built anew, nothing checked); at least 40 times as fast as
building and dumping the same resources with fhir.resources. Rounds are interleaved in one process; times are those of
the processor, so that a busy machine counts for neither.
"""

import gc
import time
from collections.abc import Callable
from statistics import median
from typing import Any

import orjson
from fhir.resources.R4B import get_fhir_model_class

from fhirmod.episode import read_entry
from fhirmod.mapping import Context, images
from fhirmod.r4 import check, dump, parse, refusals

from .plain import plain_bundle

CONTEXT = Context("Patient/woman", "Procedure/case.anchor", "Encounter/case.encounter")
WHO = {"id": "m-1", "role": "midwife"}


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    """Return name, figure and remark of each measurement; times are medians."""
    text = episode_text()
    bundle = mapped(text)
    assert orjson.loads(bundle) == orjson.loads(plain(text)), "the plain way must make the same Bundle"
    resources = [one["resource"] for one in orjson.loads(bundle)["entry"]]
    gc.collect()
    gc.freeze()
    rounds = 9 if short else 41
    ours, base = _interleaved(lambda: mapped(text), lambda: plain(text), rounds=rounds)
    fast, _ = _interleaved(lambda: mapped_and_judged(text), lambda: plain(text), rounds=5 if short else 15)
    walked, _ = _interleaved(lambda: mapped_and_walked(text), lambda: plain(text), rounds=5 if short else 15)
    library = median(_ms(lambda: _with_library(resources)) for _ in range(3))
    gc.unfreeze()
    return [
        (
            f"45 entries, {len(resources)} resources, {len(bundle) // 1000} kB: the plain way, nothing checked",
            base,
            "ms",
        ),
        ("mapped", ours, "ms"),
        ("mapped, and judged: the fast subset, the walker for what it leaves", fast, "ms"),
        ("mapped, and every resource walked", walked, "ms"),
        ("fhir.resources validate + dump of the same resources", library, "ms"),
        ("mapped / plain way (at most 3)", ours / base, "ratio"),
        ("mapped and judged / plain way", fast / base, "ratio"),
        ("mapped and walked / plain way", walked / base, "ratio"),
        ("fhir.resources / mapped (at least 40)", library / ours, "ratio"),
        ("fhir.resources / mapped and judged", library / fast, "ratio"),
        ("fhir.resources / mapped and walked", library / walked, "ratio"),
    ]


def mapped(text: bytes) -> bytes:
    """Return the Bundle by the tables: exact JSON, checked entries, resources."""
    return dump(_bundle(text))


def mapped_and_judged(text: bytes) -> bytes:
    """Return the same, no resource leaving that R4 has anything against."""
    bundle = _bundle(text)
    for one in bundle["entry"]:
        assert not refusals(one["resource"])
    return dump(bundle)


def mapped_and_walked(text: bytes) -> bytes:
    """Return the same, every resource checked against R4 before it leaves."""
    bundle = _bundle(text)
    for one in bundle["entry"]:
        assert not any(finding.refuses for finding in check(one["resource"]))
    return dump(bundle)


def plain(text: bytes) -> bytes:
    """Return the same Bundle the plain way."""
    return orjson.dumps(plain_bundle(orjson.loads(text)))


def _bundle(text: bytes) -> dict[str, Any]:
    entries = [read_entry(document) for document in parse(text)]
    made = [image for entry in entries for image in images(entry, CONTEXT, root=entry.id)]
    listed = [{"fullUrl": f"http://here/fhir/{one.type}/{one.id}", "resource": one.body} for one in made]
    return {"resourceType": "Bundle", "type": "collection", "entry": listed}


def _with_library(resources: list[dict[str, Any]]) -> None:
    for one in resources:
        get_fhir_model_class(one["resourceType"]).model_validate(one).model_dump_json()


def episode_text() -> bytes:
    """Return an invented episode of 45 entries as JSON: one balloon, ten rounds."""
    entries: list[dict[str, Any]] = [
        _entry(0, "birth", mode="vaginal"),
        _entry(12, "decision", choice="balloon"),
        _entry(15, "placement", label_max_ml=500, device="purpose-made", position_confirmed="yes"),
        *(_entry(16 + number, "fill", volume_ml=50) for number in range(6)),
        _entry(3, "medication", drug="oxytocin", dose={"value": 10, "unit": "[IU]"}, route="intramuscular"),
        _entry(9, "medication", drug="tranexamic-acid", dose={"value": 1, "unit": "g"}, route="intravenous"),
        *(
            _entry(5 + 12 * number, "blood-loss", method="drape", volume_ml=180 - 20 * number, outlet="around")
            for number in range(8)
        ),
        _entry(900, "removal", how="removed"),
    ]
    for number in range(10):
        minute = 20 + 15 * number
        entries.append(
            _entry(
                minute,
                "vital-signs",
                pulse_per_min=128 - 3 * number,
                systolic_mmhg=88 + 2 * number,
                diastolic_mmhg=50 + number,
                respiratory_rate_per_min=22,
                spo2_percent=97,
            )
        )
        entries.append(_entry(minute, "bleeding-response", response="reduced" if number < 3 else "stopped"))
        if number % 2 == 0:
            entries.append(_entry(minute, "uterine-check", tone="firm", fundus_finger_breadths=-1))
    return dump(entries)


def _entry(minute: int, kind: str, **fields: Any) -> dict[str, Any]:
    at = f"2026-03-01T{2 + minute // 60:02}:{minute % 60:02}"
    id_ = f"{minute:08x}-0000-4000-8000-{abs(hash_of(kind)):012x}"
    return {
        "kind": kind,
        "id": id_,
        "at": f"{at}:00+01:00",
        "recorded_at": f"{at}:20+01:00",
        "performed_by": WHO,
        **fields,
    }


def hash_of(kind: str) -> int:
    """Return a number for a kind, the same in every process."""
    return int.from_bytes(kind.encode()[:5].ljust(5), "big")


def _interleaved(first: Callable[[], Any], second: Callable[[], Any], *, rounds: int) -> tuple[float, float]:
    first(), second()
    pairs = [(_ms(first), _ms(second)) for _ in range(rounds)]
    return median(one for one, _ in pairs), median(other for _, other in pairs)


def _ms(work: Callable[[], Any]) -> float:
    start = time.process_time()
    work()
    return (time.process_time() - start) * 1000
