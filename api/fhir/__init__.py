"""The FHIR side: HL7 FHIR R4 over HTTP, bytes in and bytes out; one table of interactions says what there is."""

from .app import fhir_app
from .table import INTERACTIONS, Interaction

__all__ = ["INTERACTIONS", "Interaction", "fhir_app"]
