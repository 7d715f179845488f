"""The addresses of code systems, by the short names that codes.toml uses."""

CANONICAL = "https://fhirmod.example.org/fhir"
OWN_SYSTEM = f"{CANONICAL}/CodeSystem/tamponade"

SYSTEMS: dict[str, str] = {
    "own": OWN_SYSTEM,
    "loinc": "http://loinc.org",
    "sct": "http://snomed.info/sct",
    "ucum": "http://unitsofmeasure.org",
    "icd10": "http://hl7.org/fhir/sid/icd-10",
    "icd10pcs": "http://www.cms.gov/Medicare/Coding/ICD10",
    "icd11": "http://id.who.int/icd/release/11/mms",
    "atc": "http://www.whocc.no/atc",
    "rxnorm": "http://www.nlm.nih.gov/research/umls/rxnorm",
    # HL7 has given these three no address; ours stands in until it does.
    "imdrf-a": f"{CANONICAL}/NamingSystem/imdrf-annex-a",
    "imdrf-e": f"{CANONICAL}/NamingSystem/imdrf-annex-e",
    "fda-product-code": f"{CANONICAL}/NamingSystem/fda-product-code",
    "data-absent-reason": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
    "observation-category": "http://terminology.hl7.org/CodeSystem/observation-category",
    "condition-category": "http://terminology.hl7.org/CodeSystem/condition-category",
    "discharge-disposition": "http://terminology.hl7.org/CodeSystem/discharge-disposition",
    "act-reason": "http://terminology.hl7.org/CodeSystem/v3-ActReason",
}
