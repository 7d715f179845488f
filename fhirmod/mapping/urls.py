"""The names we own on the web: canonical base, profiles, extensions, identifier systems.

The base is a reserved name (RFC 2606): it identifies and is never fetched.
"""

BASE = "https://fhirmod.example.org/fhir"
ENTRY_ID = f"{BASE}/NamingSystem/entry-id"
EPISODE_ID = f"{BASE}/NamingSystem/episode-id"
STAFF_ID = f"{BASE}/NamingSystem/staff-id"
FACILITY_ID = f"{BASE}/NamingSystem/facility-id"
COMPUTE_TAG = f"{BASE}/CodeSystem/compute-version"

ENTRY = f"{BASE}/StructureDefinition/entry"
RETRACTS = f"{BASE}/StructureDefinition/retracts"
DETAIL = f"{BASE}/StructureDefinition/detail"
ROLE = f"{BASE}/StructureDefinition/performer-role"
FROM_UDI = f"{BASE}/StructureDefinition/from-udi"
WHY_ABSENT = f"{BASE}/StructureDefinition/why-absent"
PROTOCOL = f"{BASE}/StructureDefinition/site-protocol"

DATA_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
DATA_ABSENT_CODES = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
DUE_TO = "http://hl7.org/fhir/StructureDefinition/condition-dueTo"
# Issuing agencies as HL7 FHIR R4 names them in the definition of Device.udiCarrier.issuer.
UDI_ISSUERS = {
    "gs1": "http://hl7.org/fhir/NamingSystem/gs1-di",
    "hibcc": "http://hl7.org/fhir/NamingSystem/hibcc-dI",
    "iccbba": "http://hl7.org/fhir/NamingSystem/iccbba-other-di",
    "iccbba-blood": "http://hl7.org/fhir/NamingSystem/iccbba-blood-di",
}
UCUM = "http://unitsofmeasure.org"


def profile(name: str) -> str:
    """Return the canonical of our profile of a part."""
    return f"{BASE}/StructureDefinition/{name}"
