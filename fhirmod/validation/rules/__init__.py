"""The rules, a room for each thing they speak of; importing a room enters its rules in `RULES`."""

from fhirmod.validation.rule import RULES

from . import (
    backup,
    balloon,
    bleeding,
    drugs,
    hazards,
    lettingdown,
    loss,
    plausible,
    record,
    review,
    transfer,
    woman,
)

ROOMS = (
    backup, balloon, bleeding, drugs, hazards, lettingdown, loss, plausible, record, review, transfer, woman,
)  # fmt: skip

__all__ = ["ROOMS", "RULES"]
