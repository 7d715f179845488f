"""The addresses of code systems, by the short names that codes.toml uses, and whose they are."""

CANONICAL = "https://fhirmod.example.org/fhir"
VERSION = "0.1.0"
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

COPYRIGHT: dict[str, str] = {
    "own": "Our own codes: Apache License 2.0.",
    "loinc": (
        "This material contains content from LOINC (http://loinc.org). LOINC is copyright Regenstrief "
        "Institute, Inc. and the Logical Observation Identifiers Names and Codes (LOINC) Committee and is "
        "available at no cost under the license at http://loinc.org/license."
    ),
    "sct": (
        "Contains SNOMED CT content, copyright SNOMED International. Codes of the Global Patient Set are "
        "free under a Creative Commons licence (attribution, no derivatives); the others need a "
        "SNOMED CT licence."
    ),
    "icd10": "ICD-10: copyright World Health Organization.",
    "icd11": "ICD-11: copyright World Health Organization.",
    "icd10pcs": "ICD-10-PCS: Centers for Medicare and Medicaid Services, a work of the US government.",
    "atc": "ATC: copyright WHO Collaborating Centre for Drug Statistics Methodology, Oslo.",
    "rxnorm": "RxNorm: US National Library of Medicine.",
    "imdrf-a": "IMDRF adverse event terminology: International Medical Device Regulators Forum.",
    "imdrf-e": "IMDRF adverse event terminology: International Medical Device Regulators Forum.",
    "fda-product-code": "FDA product classification: a work of the US government.",
}
