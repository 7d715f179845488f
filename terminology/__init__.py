"""What our concepts are called elsewhere: one table, read both ways. Knows no entry and no FHIR resource.

What is here: `concept` (key -> codes), `find` (codes -> key), `words` (a question -> its answers), `keys`,
the systems' addresses, the check digits of LOINC and SNOMED CT, and the generated CodeSystem, ValueSets and
ConceptMaps (`code_system`, `value_sets`, `concept_maps`).
"""

from .check_digits import loinc_is_well_formed, sctid_is_well_formed
from .concept import Coding, Concept, Relation
from .lookup import UnknownConceptError, concept, find, keys, words
from .publisher import publication
from .resources import code_system, concept_maps, value_set_url, value_sets
from .sources import SOURCES
from .systems import CANONICAL, OWN_SYSTEM, SYSTEMS, VERSION

__all__ = [
    "CANONICAL",
    "OWN_SYSTEM",
    "SOURCES",
    "SYSTEMS",
    "VERSION",
    "Coding",
    "Concept",
    "Relation",
    "UnknownConceptError",
    "code_system",
    "concept",
    "concept_maps",
    "find",
    "keys",
    "loinc_is_well_formed",
    "publication",
    "sctid_is_well_formed",
    "value_set_url",
    "value_sets",
    "words",
]
