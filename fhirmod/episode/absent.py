"""The explicit "no value": why a clinical value is not there. Not known is not no; absent is not zero."""

from typing import Annotated, Any, Literal, Union, get_args

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from .text import Text

AbsentReason = Literal["not-known", "not-done", "could-not-measure", "not-applicable"]


class Absent(BaseModel):
    """A value that is not there, with the reason: ``{"absent": "could-not-measure"}``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    absent: AbsentReason
    why: Text | None = None


class _OrAbsent:
    """The annotation that reads ``T | Absent`` by shape, so that an error names one branch only."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        others = tuple(arm for arm in get_args(source) if arm is not Absent)
        return core_schema.tagged_union_schema(
            {
                "value": handler.generate_schema(Union[others]),  # noqa: UP007  built at run time
                "absent": handler.generate_schema(Absent),
            },
            discriminator=_branch,
        )


def _branch(value: Any) -> str:
    """Return which arm of ``T | Absent`` a received value is meant for."""
    is_absent = isinstance(value, Absent) or (isinstance(value, dict) and "absent" in value)
    return "absent" if is_absent else "value"


or_absent = _OrAbsent()

Answer = Annotated[Literal["yes", "no"] | Absent, or_absent]
