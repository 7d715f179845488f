"""The meta of what is assembled: its profile, how confidential it is, and whether it is a drill."""

from typing import Any

from .special import DRILL
from .urls import profile
from .writing import CONFIDENTIALITY, Context


def meta_of(name: str, context: Context) -> dict[str, Any]:
    """Return the meta of an assembled resource."""
    security = [CONFIDENTIALITY, DRILL] if context.drill else [CONFIDENTIALITY]
    return {"profile": [profile(name)], "security": security}
