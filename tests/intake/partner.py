"""A case as another system might write it: its own ids, its own narrative, no extension of ours. Invented."""

import json
from typing import Any

LOINC = "http://loinc.org"
OWN = "https://fhirmod.example.org/fhir/CodeSystem/tamponade"
UCUM = "http://unitsofmeasure.org"
ANCHOR, PATIENT = (
    "urn:uuid:6f0d7e5e-0000-4000-8000-000000000001",
    "urn:uuid:6f0d7e5e-0000-4000-8000-000000000002",
)


def coded(system: str, code: str) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code}]}


def milli(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "mL", "system": UCUM, "code": "mL"}


def observation(code: dict[str, Any], at: str, **fields: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": code,
        "subject": {"reference": PATIENT},
        "partOf": [{"reference": ANCHOR}],
        "effectiveDateTime": f"2026-03-01T{at}:00+01:00",
        **fields,
    }


def case() -> list[dict[str, Any]]:
    """Return the resources of the case, the patient and anchor under their urn:uuid names first."""
    return [
        {
            "resourceType": "Patient",
            "identifier": [{"system": "urn:oid:2.999.1", "value": "W-17"}],
            "gender": "female",
        },
        {
            "resourceType": "Procedure",
            "status": "completed",
            "code": coded(OWN, "uterine-balloon-tamponade"),
            "subject": {"reference": PATIENT},
            "performedPeriod": {"start": "2026-03-01T03:00:00+01:00", "end": "2026-03-01T11:00:00+01:00"},
            "performer": [{"actor": {"display": "on call"}, "onBehalfOf": {"display": "district clinic"}}],
        },
        observation(coded(LOINC, "81661-1"), "02:40", valueQuantity=milli(700)),
        observation(coded(LOINC, "81661-1"), "03:40", valueQuantity=milli(150), note=[{"text": "on pads"}]),
        observation(
            coded(LOINC, "85354-9"),
            "03:10",
            category=[coded("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")],
            component=[
                {
                    "code": coded(LOINC, "8480-6"),
                    "valueQuantity": {"value": 92, "unit": "mm[Hg]", "system": UCUM, "code": "mm[Hg]"},
                },
                {
                    "code": coded(LOINC, "8462-4"),
                    "valueQuantity": {"value": 50, "unit": "mm[Hg]", "system": UCUM, "code": "mm[Hg]"},
                },
            ],
        ),
        observation(
            coded(LOINC, "8867-4"),
            "03:10",
            valueQuantity={"value": 124, "unit": "/min", "system": UCUM, "code": "/min"},
            category=[coded("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")],
        ),
        {
            "resourceType": "Procedure",
            "status": "completed",
            "code": coded(OWN, "placement"),
            "subject": {"reference": PATIENT},
            "partOf": [{"reference": ANCHOR}],
            "performedDateTime": "2026-03-01T03:00:00+01:00",
        },
        observation(coded(OWN, "fill"), "03:05", valueQuantity=milli(250)),
        {
            "resourceType": "MedicationAdministration",
            "status": "not-done",
            "medicationCodeableConcept": coded("http://www.whocc.no/atc", "H01BB02"),
            "subject": {"reference": PATIENT},
            "partOf": [{"reference": ANCHOR}],
            "effectiveDateTime": "2026-03-01T02:20:00+01:00",
        },
    ]


def transaction(resources: list[dict[str, Any]] | None = None, *, if_none_exist: bool = False) -> bytes:
    """Return the case as a transaction of POSTs; with `if_none_exist` the patient is created conditionally."""
    entries = []
    for number, resource in enumerate(case() if resources is None else resources):
        name = {0: PATIENT, 1: ANCHOR}.get(number, f"urn:uuid:6f0d7e5e-0000-4000-8000-0000000001{number:02}")
        ask: dict[str, Any] = {"method": "POST", "url": resource["resourceType"]}
        if if_none_exist and resource["resourceType"] == "Patient":
            ask["ifNoneExist"] = "identifier=urn:oid:2.999.1|W-17"
        entries.append({"fullUrl": name, "resource": resource, "request": ask})
    return json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": entries}, indent=1).encode()
