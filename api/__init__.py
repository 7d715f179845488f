"""The service: HTTP in front of the intake. The only floor that knows the web framework and the wall clock.

::

    /episodes   bedside JSON (routes: one table)   /fhir   HL7 FHIR R4 (fhir: one table)
    /health     is it there                        /openapi.json
"""

from typing import TYPE_CHECKING, Any

from .settings import Settings

if TYPE_CHECKING:
    from .app import create_app

__all__ = ["Settings", "create_app"]


def __getattr__(name: str) -> Any:
    """Return `create_app` when first asked for: a command that needs the clock alone loads no web framework."""
    if name == "create_app":
        from .app import create_app  # noqa: PLC0415

        return create_app
    raise AttributeError(name)
