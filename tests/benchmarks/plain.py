"""The same Bundle built the plain way, as the baseline of the mapping: dicts built anew, nothing checked, no tables.

It knows ten kinds of entry and no odd value; `mapping` checks that it makes the very same JSON.
"""

from typing import Any

from fhirmod.mapping import BASE
from terminology import concept

_KEYS = (  # noqa: SIM905 - a table
    "vital-signs vital-signs.pulse_per_min vital-signs.blood-pressure vital-signs.systolic_mmhg"
    " vital-signs.diastolic_mmhg vital-signs.respiratory_rate_per_min vital-signs.spo2_percent bleeding-response"
    " bleeding-response.response.reduced bleeding-response.response.stopped bleeding-response.response.not-stopped"
    " blood-loss-measured blood-loss.method.drape blood-loss.outlet blood-loss.outlet.around fill fill.compartment"
    " fill.compartment.cavity uterine-check uterine-check.tone uterine-check.tone.firm"
    " uterine-check.fundus_finger_breadths medication.drug.oxytocin medication.drug.tranexamic-acid"
    " medication.route.intramuscular medication.route.intravenous placement placement.position_confirmed"
    " balloon-preparation.device.purpose-made balloon-preparation.label_max_ml removal removal.how"
    " removal.how.removed birth.time birth.mode birth.mode.vaginal decision.choice.balloon"
).split()
CODES = {
    key: ([(one.get("system"), one["code"], one.get("display")) for one in found["coding"]], found["text"])
    for key in _KEYS
    for found in (concept(key).codeable,)
}
CATEGORIES = {"vital-signs": "Vital Signs", "exam": "Exam", "procedure": "Procedure"}
R4 = "http://hl7.org/fhir/StructureDefinition/"


def plain_bundle(entries: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the Bundle of these entries, each as a plain dict."""
    made = [resource for entry in entries for resource in _BUILD[entry["kind"]](entry)]
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": f"http://here/fhir/{one['resourceType']}/{one['id']}", "resource": one} for one in made],
    }


def _coded(key: str) -> dict[str, Any]:
    codings, text = CODES[key]
    return {
        "coding": [{"system": system, "code": code, "display": display} for system, code, display in codings],
        "text": text,
    }


def _quantity(value: Any, unit: str) -> dict[str, Any]:
    return {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit}


def _person(entry: dict[str, Any]) -> dict[str, Any]:
    who = entry["performed_by"]
    return {
        "type": "Practitioner",
        "identifier": {"system": f"{BASE}/NamingSystem/staff-id", "value": who["id"]},
        "extension": [{"url": f"{BASE}/StructureDefinition/performer-role", "valueString": who["role"]}],
    }


def _head(entry: dict[str, Any], kind: str, part: str, profiles: list[str], *, told: bool) -> dict[str, Any]:
    subs: list[dict[str, Any]] = [{"url": "kind", "valueCode": entry["kind"]}]
    if told:
        subs.append({"url": "recordedAt", "valueDateTime": entry["recorded_at"]})
    return {
        "resourceType": kind,
        "id": f"{entry['id']}.{part}",
        "meta": {
            "profile": profiles,
            "security": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality",
                    "code": "N",
                    "display": "normal",
                }
            ],
        },
        "extension": [{"url": f"{BASE}/StructureDefinition/entry", "extension": subs}],
        "identifier": [{"system": f"{BASE}/NamingSystem/entry-id", "value": entry["id"]}],
    }


def _observation(entry: dict[str, Any], part: str, key: str, category: str, r4: str = "") -> dict[str, Any]:
    profiles = [f"{BASE}/StructureDefinition/{part}"] + ([R4 + r4] if r4 else [])
    return {
        **_head(entry, "Observation", part, profiles, told=False),
        "status": "final",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                        "code": category,
                        "display": CATEGORIES[category],
                    }
                ]
            }
        ],
        "code": _coded(key),
        "subject": {"reference": "Patient/woman"},
        "encounter": {"reference": "Encounter/case.encounter"},
        "partOf": [{"reference": "Procedure/case.anchor"}],
        "effectiveDateTime": entry["at"],
        "issued": entry["recorded_at"],
        "performer": [_person(entry)],
    }


def _procedure(entry: dict[str, Any], key: str) -> dict[str, Any]:
    profiles = [f"{BASE}/StructureDefinition/{entry['kind']}"]
    return {
        **_head(entry, "Procedure", entry["kind"], profiles, told=True),
        "status": "completed",
        "code": _coded(key),
        "subject": {"reference": "Patient/woman"},
        "encounter": {"reference": "Encounter/case.encounter"},
        "partOf": [{"reference": "Procedure/case.anchor"}],
        "performedDateTime": entry["at"],
        "performer": [{"actor": _person(entry)}],
    }


def _detail(key: str, name: str, value: Any) -> dict[str, Any]:
    code = {"url": "code", "valueCodeableConcept": _coded(key)}
    return {"url": f"{BASE}/StructureDefinition/detail", "extension": [code, {"url": "value", name: value}]}


def _vital_signs(entry: dict[str, Any]) -> list[dict[str, Any]]:
    signs = [
        ("heart-rate", "pulse_per_min", "heartrate", "/min"),
        ("blood-pressure", "", "bp", ""),
        ("respiratory-rate", "respiratory_rate_per_min", "resprate", "/min"),
        ("oxygen-saturation", "spo2_percent", "oxygensat", "%"),
    ]
    panel = _observation(entry, "vital-signs-panel", "vital-signs", "vital-signs", "vitalspanel")
    panel["hasMember"] = [{"reference": f"Observation/{entry['id']}.{part}"} for part, _, _, _ in signs]
    made = [panel]
    for part, field, r4, unit in signs:
        sign = _observation(entry, part, f"vital-signs.{field or part}", "vital-signs", r4)
        if field:
            sign["valueQuantity"] = _quantity(entry[field], unit)
        else:
            sign["component"] = [
                {"code": _coded(f"vital-signs.{name}"), "valueQuantity": _quantity(entry[name], "mm[Hg]")}
                for name in ("systolic_mmhg", "diastolic_mmhg")
            ]
        made.append(sign)
    return made


def _bleeding(entry: dict[str, Any]) -> list[dict[str, Any]]:
    made = _observation(entry, "bleeding-response", "bleeding-response", "exam")
    made["valueCodeableConcept"] = _coded(f"bleeding-response.response.{entry['response']}")
    return [made]


def _loss(entry: dict[str, Any]) -> list[dict[str, Any]]:
    made = _observation(entry, "blood-loss", "blood-loss-measured", "exam")
    made["valueQuantity"] = _quantity(entry["volume_ml"], "mL")
    made["method"] = _coded(f"blood-loss.method.{entry['method']}")
    outlet = _coded(f"blood-loss.outlet.{entry['outlet']}")
    made["component"] = [{"code": _coded("blood-loss.outlet"), "valueCodeableConcept": outlet}]
    return [made]


def _fill(entry: dict[str, Any]) -> list[dict[str, Any]]:
    made = _observation(entry, "fill", "fill", "procedure")
    made["valueQuantity"] = _quantity(entry["volume_ml"], "mL")
    made["component"] = [
        {"code": _coded("fill.compartment"), "valueCodeableConcept": _coded("fill.compartment.cavity")}
    ]
    return [made]


def _check(entry: dict[str, Any]) -> list[dict[str, Any]]:
    made = _observation(entry, "uterine-check", "uterine-check", "exam")
    height = _quantity(entry["fundus_finger_breadths"], "{finger-breadth}")
    made["component"] = [
        {"code": _coded("uterine-check.tone"), "valueCodeableConcept": _coded(f"uterine-check.tone.{entry['tone']}")},
        {"code": _coded("uterine-check.fundus_finger_breadths"), "valueQuantity": height},
    ]
    return [made]


def _medication(entry: dict[str, Any]) -> list[dict[str, Any]]:
    profiles = [f"{BASE}/StructureDefinition/medication"]
    return [
        {
            **_head(entry, "MedicationAdministration", "medication", profiles, told=True),
            "status": "completed",
            "medicationCodeableConcept": _coded(f"medication.drug.{entry['drug']}"),
            "subject": {"reference": "Patient/woman"},
            "context": {"reference": "Encounter/case.encounter"},
            "partOf": [{"reference": "Procedure/case.anchor"}],
            "effectiveDateTime": entry["at"],
            "performer": [{"actor": _person(entry)}],
            "dosage": {
                "dose": _quantity(entry["dose"]["value"], entry["dose"]["unit"]),
                "route": _coded(f"medication.route.{entry['route']}"),
            },
        }
    ]


def _placement(entry: dict[str, Any]) -> list[dict[str, Any]]:
    made = _procedure(entry, "placement")
    made["extension"].append(_detail("placement.position_confirmed", "valueBoolean", True))
    made["focalDevice"] = [{"manipulated": {"reference": f"Device/{entry['id']}.device"}}]
    device = _head(entry, "Device", "device", [f"{BASE}/StructureDefinition/device"], told=False)
    device["extension"][0]["extension"] += [
        {"url": "at", "valueDateTime": entry["at"]},
        {"url": "recordedAt", "valueDateTime": entry["recorded_at"]},
        {"url": "performedBy", "valueReference": _person(entry)},
    ]
    maximum = _quantity(entry["label_max_ml"], "mL")
    device |= {
        "status": "active",
        "type": _coded("balloon-preparation.device.purpose-made"),
        "patient": {"reference": "Patient/woman"},
        "property": [{"type": _coded("balloon-preparation.label_max_ml"), "valueQuantity": [maximum]}],
    }
    return [made, device]


def _removal(entry: dict[str, Any]) -> list[dict[str, Any]]:
    made = _procedure(entry, "removal")
    made["extension"].append(_detail("removal.how", "valueCodeableConcept", _coded(f"removal.how.{entry['how']}")))
    return [made]


def _birth(entry: dict[str, Any]) -> list[dict[str, Any]]:
    made = _observation(entry, "birth", "birth.time", "exam")
    mode = _coded(f"birth.mode.{entry['mode']}")
    made["component"] = [{"code": _coded("birth.mode"), "valueCodeableConcept": mode}]
    made["valueDateTime"] = entry["at"]
    return [made]


def _decision(entry: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {
            **_head(entry, "ServiceRequest", "decision", [f"{BASE}/StructureDefinition/decision"], told=True),
            "status": "active",
            "intent": "order",
            "code": _coded(f"decision.choice.{entry['choice']}"),
            "subject": {"reference": "Patient/woman"},
            "encounter": {"reference": "Encounter/case.encounter"},
            "supportingInfo": [{"reference": "Procedure/case.anchor"}],
            "authoredOn": entry["at"],
            "requester": _person(entry),
        }
    ]


_BUILD = {
    "vital-signs": _vital_signs,
    "bleeding-response": _bleeding,
    "blood-loss": _loss,
    "fill": _fill,
    "uterine-check": _check,
    "medication": _medication,
    "placement": _placement,
    "removal": _removal,
    "birth": _birth,
    "decision": _decision,
}
