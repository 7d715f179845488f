"""Record an invented case over HTTP, ask for its state, and send it as FHIR. Standard library only.

Run the service (``fhirmod serve``), then: ``python examples/talk_to_the_service.py http://127.0.0.1:8000``
"""

import json
import sys
import urllib.request
from typing import Any
from uuid import uuid4


def call(url: str, value: Any = None) -> dict[str, Any]:
    """Return the JSON answer of a GET, or of a POST where there is something to send."""
    body = None if value is None else json.dumps(value).encode()
    request = urllib.request.Request(url, body, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=10) as answer:
        return dict(json.load(answer))


def entry(kind: str, clock: str, **fields: Any) -> dict[str, Any]:
    """Return an entry of the invented night."""
    return {"kind": kind, "id": str(uuid4()), "at": f"2026-03-01T{clock}:00+01:00", **fields}


def main(service: str) -> None:
    opening = {"facility": {"id": "clinic-a"}, "at": "2026-03-01T02:10:00+01:00", "drill": True}
    episode = call(f"{service}/episodes", opening)["episode"]
    print("opened", episode)
    receipt = call(
        f"{service}/episodes/{episode}/entries",
        [
            entry("birth", "02:10", mode="vaginal"),
            entry("blood-loss", "02:40", method="drape", volume_ml=800),
            entry("vital-signs", "02:45", pulse_per_min=124, systolic_mmhg=92, diastolic_mmhg=50),
            entry("placement", "02:50", device="improvised-condom-catheter"),
            *(entry("fill", f"02:5{minute}", volume_ml=50) for minute in range(2, 8)),
            entry("bleeding-response", "02:59", response="stopped"),
        ],
    )
    print("entries:", ", ".join(one["status"] for one in receipt["entries"]))
    state = call(f"{service}/episodes/{episode}/state?as_of=2026-03-01T03:00:00%2B01:00")
    balloon = state["balloons"][0]
    print("recorded in minus out:", balloon["compartments"][0]["volume"]["ml"], "mL")
    print("first stop after the first fill:", balloon["stop"]["time_to_first_stop_min"], "min")
    case = call(f"{service}/episodes/{episode}/bundle?type=transaction")
    answer = call(f"{service}/fhir", case)
    print("sent back as FHIR:", len(answer["entry"]), "resources, nothing changed")
    found = call(f"{service}/fhir/Procedure?identifier={episode}")
    print("its anchor:", found["entry"][0]["resource"]["status"])
    print(state["cautions"][0])


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "http://127.0.0.1:8000")
