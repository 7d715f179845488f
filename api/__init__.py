"""The service: HTTP in front of the intake. The only floor that knows the web framework and the wall clock.

::

    /episodes   bedside JSON (bedside)         /fhir   HL7 FHIR R4 (fhir: one route table)
    /health     is it there                    /openapi.json
"""

from .app import create_app
from .settings import Settings

__all__ = ["Settings", "create_app"]
