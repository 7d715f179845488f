"""The R4 engine: exact JSON, definitions, checks, references, search values. It knows no tamponade.

Places are FHIRPath in R4's simple subset: element names, `[n]` for repetition, a choice under its element
name (`Observation.component[1].value.value`, not `valueQuantity`), which every FHIRPath engine evaluates.
"""

from .accept import accepts, refusals, said_at_once
from .check import check
from .compartments import compartment_members, compartment_parameters, compartments
from .conform import check_profile
from .criteria import alternatives, composed, token, unescaped
from .dates import span
from .exact import dump, parse
from .facts import concrete_types as _concrete_types
from .facts import known_types as _known_types
from .fhirpath_patching import fhirpath_patch
from .implied import implied_systems
from .indexed import (
    CompositeValue,
    DateValue,
    NumberValue,
    QuantityValue,
    ReferenceValue,
    SearchValue,
    StringValue,
    TokenValue,
    UriValue,
)
from .inputs import r4_terminology
from .invariants import wanted
from .json_patching import json_patch
from .known import R4, Known
from .paths import Node, OutsideError, Path, compile_path, type_in
from .profiles import Profile, compile_profile
from .references import references
from .search import (
    SearchParameter,
    component_types,
    ends_in,
    outside,
    reached,
    search_parameter,
    search_parameters,
    search_values,
    values_of,
)
from .snapshot import snapshot
from .splice import entry_texts, splice
from .subset import subset_schema
from .summaries import SUBSETTED, data, elements, narrative, summary
from .terms import Coded, Match, NotHeldError, Terms

__all__ = [
    "KNOWN_TYPES",
    "R4",
    "RESOURCE_TYPES",
    "SUBSETTED",
    "Coded",
    "CompositeValue",
    "DateValue",
    "Known",
    "Match",
    "Node",
    "NotHeldError",
    "NumberValue",
    "OutsideError",
    "Path",
    "Profile",
    "QuantityValue",
    "ReferenceValue",
    "SearchParameter",
    "SearchValue",
    "StringValue",
    "Terms",
    "TokenValue",
    "UriValue",
    "accepts",
    "alternatives",
    "check",
    "check_profile",
    "compartment_members",
    "compartment_parameters",
    "compartments",
    "compile_path",
    "compile_profile",
    "component_types",
    "composed",
    "data",
    "dump",
    "elements",
    "ends_in",
    "entry_texts",
    "fhirpath_patch",
    "implied_systems",
    "json_patch",
    "narrative",
    "outside",
    "parse",
    "r4_terminology",
    "reached",
    "references",
    "refusals",
    "said_at_once",
    "search_parameter",
    "search_parameters",
    "search_values",
    "snapshot",
    "span",
    "splice",
    "subset_schema",
    "summary",
    "token",
    "type_in",
    "unescaped",
    "values_of",
    "wanted",
]


def __getattr__(name: str) -> frozenset[str]:
    """Return the two type lists, read from the facts when first asked for."""
    if name == "RESOURCE_TYPES":
        return _concrete_types()
    if name == "KNOWN_TYPES":
        return _known_types()
    raise AttributeError(name)
