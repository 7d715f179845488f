"""Speed of the R4 engine, each as a ratio to a plain JSON parse of the same bytes where there is one."""

import copy
import gc
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from itertools import cycle
from typing import Any

from fhir.resources.R4B.bundle import Bundle

from fhirmod.exchange import check_text, examples
from fhirmod.mapping import known_profiles
from fhirmod.r4 import accepts, check, dump, parse, refusals, search_parameters, splice, values_of

ROUNDS = 7
MANY = 50
DIV = '<div xmlns="http://www.w3.org/1999/xhtml"><p>An invented <b>panel</b>.</p></div>'
COLD = """
import time
start = time.perf_counter()
from fhirmod.r4 import RESOURCE_TYPES, check
{body}
spent = time.perf_counter() - start
held = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(spent * 1000, int(held.split()[1]) / 1024)
"""


def observation(number: int) -> dict[str, Any]:
    """Return an invented pressure with two components, a narrative and an identifier: about 1.2 kB."""
    unit = {"unit": "mm[Hg]", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
    return {
        "resourceType": "Observation",
        "id": f"o{number}",
        "text": {"status": "generated", "div": DIV},
        "identifier": [{"system": "http://example.org/entry", "value": f"e{number}"}],
        "partOf": [{"reference": "Procedure/p1"}],
        "status": "final",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                        "code": "vital-signs",
                    }
                ]
            }
        ],
        "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}], "text": "Blood pressure"},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": "2026-03-02T10:00:00+02:00",
        "performer": [{"reference": "Practitioner/a"}],
        "component": [
            {
                "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
                "valueQuantity": {"value": mmhg, **unit},
            }
            for code, mmhg in (("8480-6", 92), ("8462-4", 58))
        ],
    }


def bundle(entries: int = 100) -> dict[str, Any]:
    """Return a collection of invented Observations."""
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": f"https://example.org/fhir/Observation/o{n}", "resource": observation(n)}
            for n in range(entries)
        ],
    }


def ours(entries: int = 100) -> dict[str, Any]:
    """Return a collection of our own resources, of every kind that our examples show, each claiming its profile.

    Shape: MedicationAdministrations are left out, since the peer takes no dose whose time is not known.
    """
    shown = [one for one in examples().values() if one["resourceType"] not in ("Bundle", "MedicationAdministration")]
    some = [{**one, "id": f"r{number}"} for number, one in zip(range(entries), cycle(shown), strict=False)]
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": f"https://example.org/fhir/{one['resourceType']}/{one['id']}", "resource": one} for one in some
        ],
    }


def broken(good: dict[str, Any]) -> dict[str, Any]:
    """Return a copy with four errors in every entry."""
    bad = copy.deepcopy(good)
    for entry in bad["entry"]:
        entry["resource"] |= {"status": "bad", "effectiveDateTime": "2026-02-30", "colour": "red"}
        entry["resource"]["component"][0]["valueQuantity"]["value"] = "92"
    return bad


def stamped(text: bytes, references: dict[str, str] | None = None) -> bytes:
    """Return a text with a new identity."""
    return splice(text, id="new", version_id="2", last_updated="2026-03-02T10:00:00Z", references=references or {})


def interleaved(
    *contenders: Callable[[], Any],
    times: int = 1,
    rounds: int = ROUNDS,
    of: Callable[[list[float]], float] = statistics.median,
) -> list[float]:
    """Return each contender's median time in milliseconds, all run once per round; or another figure `of` the rounds.

    Shape: the time this thread computed, so that what else runs on the machine is not counted. What is there before is
           set aside, as after the start of a service: the collector does not look through it again and again.
    """
    for contender in contenders:
        contender()
    gc.collect()
    gc.freeze()
    spent: list[list[float]] = [[] for _ in contenders]
    for _ in range(rounds):
        for number, contender in enumerate(contenders):
            start = time.thread_time()
            for _ in range(times):
                contender()
            spent[number].append((time.thread_time() - start) * 1000 / times)
    return [of(one) for one in spent]


def each(lines: list[bytes], done: Callable[[bytes], Any]) -> None:
    """Do something with each line, one after the other, as a file of lines is read."""
    for line in lines:
        done(line)


def cold(body: str) -> tuple[float, float]:
    """Return milliseconds from import to done, and MiB held, in a fresh process (best of three)."""
    runs = []
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-c", COLD.format(body=body)], capture_output=True, check=True, text=True
        )
        spent, held = done.stdout.split()
        runs.append((float(spent), float(held)))
    return min(runs)


def run() -> list[tuple[str, float, str]]:
    """Return name, figure and remark of every measure."""
    good = bundle()
    data = dump(good)
    parsed, bad = parse(data), broken(good)
    if [f for f in check(parsed) if f.severity != "information"] or len(check(bad)) < 400:
        raise AssertionError("the benchmark's Bundles are not what they claim to be")
    floor, exact, walk, found = interleaved(
        lambda: json.loads(data), lambda: parse(data), lambda: check(parsed), lambda: check(bad)
    )
    if not accepts(parsed):
        raise AssertionError("the benchmark's Bundle does not take the fast way")
    parsing, taken, alone = interleaved(
        lambda: parse(data), lambda: refusals(parse(data)), lambda: refusals(parsed), rounds=25
    )
    profiled = dump(ours())
    claiming, known = parse(profiled), known_profiles()
    if not accepts(claiming, known):
        raise AssertionError("a Bundle of our own resources does not take the fast way")
    received = [claiming]

    def receive() -> None:
        received[0] = parse(profiled)  # what is judged next, as it lies in memory when it has just been received

    parsing_ours, alone_ours = interleaved(receive, lambda: refusals(received[0], known), rounds=MANY)
    # Other work on the machine only ever adds, and most to whoever needs the processor's memory.
    _, least_ours = interleaved(receive, lambda: refusals(received[0], known), rounds=MANY, of=min)
    lines = [dump(observation(number)) for number in range(200)]
    bare, checked, said = interleaved(
        lambda: each(lines, parse),
        lambda: each(lines, lambda line: refusals(parse(line))),
        lambda: each(lines, lambda line: check_text(line, many=True)),
    )
    text = dump(observation(1))
    spliced, linked = interleaved(
        lambda: stamped(text),
        lambda: stamped(text, {"Patient/p1": "Patient/p2"}),
        times=200,
    )
    resource = parsed["entry"][0]["resource"]
    parameters = list(search_parameters("Observation").values())
    (indexed,) = interleaved(lambda: [values_of(one, resource) for one in parameters], times=20)
    # The peer comes last: it leaves the heap in pieces, and what is parsed after it lies scattered.
    peer, peer_ours = interleaved(
        lambda: Bundle.model_validate_json(data), lambda: Bundle.model_validate_json(profiled)
    )
    (least_peer,) = interleaved(lambda: Bundle.model_validate_json(profiled), rounds=MANY, of=min)
    cold_ours, _, peer_between = interleaved(
        lambda: refusals(claiming, known), gc.collect, lambda: Bundle.model_validate_json(profiled)
    )
    first, held = cold("check({'resourceType': 'Patient', 'active': True})")
    known_first, known_held = cold(
        "from fhirmod.mapping import known_profiles\n"
        "from fhirmod.r4 import accepts\n"
        "accepts({'resourceType': 'Patient', 'active': True}, known_profiles())"
    )
    whole, all_held = cold("from fhirmod.r4.plan import plan\nfor name in RESOURCE_TYPES: plan(name)")
    return [
        (
            "exact parse of a 100-entry Bundle / json.loads",
            exact / floor,
            f"{exact:.2f} ms for {len(data)} bytes",
        ),
        ("walk of a 100-entry Bundle / json.loads", walk / floor, f"{walk:.1f} ms; target 60 ms"),
        ("findings of a broken Bundle / json.loads", found / floor, f"{found:.1f} ms; target 20 ms"),
        ("accept path of that Bundle / its exact parse", alone / parsing, f"{alone:.2f} ms; target 2"),
        ("the two together / the exact parse", taken / parsing, f"{taken:.2f} ms"),
        ("fhir.resources R4B model_validate_json / accept path", peer / alone, f"{peer:.1f} ms; target 15"),
        ("fhir.resources R4B model_validate_json / the two together", peer / taken, "it parses too, and checks less"),
        (
            "accept path of 100 resources that claim profiles / exact parse",
            alone_ours / parsing_ours,
            f"{alone_ours:.2f} ms for {len(profiled)} bytes, every profile of ours; target 2",
        ),
        (
            "fhir.resources R4B model_validate_json / accept path with profiles",
            peer_ours / alone_ours,
            f"{peer_ours:.1f} and {alone_ours:.2f} ms, medians; it checks no profile; target 15",
        ),
        (
            "the same, by the least",
            least_peer / least_ours,
            f"{least_peer:.1f} and {least_ours:.2f} ms of {MANY} rounds: what else the machine does weighs more on the shorter",
        ),
        (
            "the same, in turns with the peer, by the medians",
            peer_between / cold_ours,
            f"{cold_ours:.2f} ms where nothing of it is near the processor",
        ),
        ("parse and accept of 200 NDJSON lines / exact parse", checked / bare, f"{checked:.1f} ms; target 2"),
        ("fhirmod check of 200 NDJSON lines / exact parse", said / bare, f"{said:.1f} ms, with warnings; target 2"),
        ("splice of one Observation, us", spliced * 1000, f"{len(text)} bytes; target 60 us for 2 kB"),
        ("splice with a reference rewritten, us", linked * 1000, f"{len(text)} bytes"),
        ("search values of one Observation, us", indexed * 1000, f"{len(parameters)} parameters"),
        ("start-up to the first check, ms", first, f"{held:.0f} MiB held; target 300 ms"),
        ("start-up to the first resource that claims a profile, ms", known_first, f"{known_held:.0f} MiB held"),
        ("start-up with every type compiled, ms", whole, f"{all_held:.0f} MiB held; target 60 MiB"),
    ]


if __name__ == "__main__":
    for name, figure, remark in run():
        print(f"{name:55} {figure:8.2f}  {remark}")
