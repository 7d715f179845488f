"""The profiles of what is assembled and derived, and of the case as a Bundle; nothing of these is read as an entry."""

from collections.abc import Iterator
from typing import get_args

from fhirmod.compute import LOCAL_MEASURES, MEASURES, DueKind
from fhirmod.mapping.demand import Demand, coded_as
from fhirmod.mapping.urls import COMPUTE_TAG, EPISODE_ID, UCUM

from .profile import Authored, codes_url

_META = (
    Demand("meta", least=1),
    Demand("meta.security", least=1),
    Demand("meta.security.system", least=1),
    Demand("meta.security.code", least=1),
)


def _subject() -> Demand:
    return Demand("subject", least=1, types=("Reference:Patient",))


def assembled() -> Iterator[Authored]:
    """Return the profiles of the anchor, the balloon in place, what is due, the computed values and the case."""
    yield Authored(
        "anchor",
        "Procedure",
        (
            *_META,
            Demand("identifier", least=1, told_by=(("value", "system"),)),
            Demand("identifier:episode", least=1, most="1"),
            Demand("identifier:episode.system", least=1, fixed=("Uri", EPISODE_ID)),
            Demand("identifier:episode.value", least=1),
            Demand("code", least=1, pattern=coded_as("anchor")),
            _subject(),
            Demand("performed[x]", types=("Period",)),
            Demand("reasonReference", types=("Reference:Condition",)),
            Demand("bodySite", least=1, most="1", pattern=coded_as("site.uterine-cavity")),
            Demand("complicationDetail", types=("Reference:Condition",)),
        ),
        "The whole course of one tamponade, from the decision to closure; every other resource is part of it.",
    )
    yield Authored(
        "device-use",
        "DeviceUseStatement",
        (
            *_META,
            Demand("subject", least=1, types=("Reference:Patient",)),
            Demand("derivedFrom", least=1),
            Demand("timing[x]", types=("Period",)),
            Demand("device", least=1, types=("Reference:Device",)),
            Demand("bodySite", least=1, pattern=coded_as("site.uterine-cavity")),
        ),
        "One interval with a balloon in place, from its placement to its end.",
    )
    yield Authored(
        "balloon-in-place",
        "Flag",
        (
            *_META,
            Demand("category", least=1),
            Demand("code", least=1, pattern=coded_as("flag.balloon-in-place")),
            _subject(),
        ),
        "A balloon is in place: active while it is, inactive after its end.",
    )
    tag = {"system": COMPUTE_TAG}
    yield Authored(
        "computed",
        "Observation",
        (
            *_META,
            Demand("meta.tag", least=1, told_by=(("value", "system"),)),
            Demand("meta.tag:compute", least=1, most="1"),
            Demand("meta.tag:compute.system", least=1, fixed=("Uri", tag["system"])),
            Demand("meta.tag:compute.code", least=1),
            Demand("partOf", least=1, types=("Reference:Procedure",)),
            Demand("category", least=1, most="1"),
            Demand("code", least=1, answers=codes_url("computed")),
            _subject(),
            Demand("effective[x]", types=("dateTime",)),
            Demand("value[x]", least=1, types=("Quantity",), pattern=("Quantity", {"system": UCUM})),
            Demand("value[x].value", least=1),
            Demand("value[x].code", least=1),
            Demand("derivedFrom", types=("Reference:Observation",)),
        ),
        "A value computed from the record; never counted again where it comes back.",
        codes=(*(f"measure.{one.key}" for one in MEASURES), *(f"measure.{one.key}" for one in LOCAL_MEASURES)),
    )
    yield Authored(
        "due",
        "Task",
        (
            *_META,
            Demand("intent", fixed=("Code", "plan")),
            Demand("code", least=1, answers=codes_url("due")),
            Demand("focus", least=1, types=("Reference:Procedure",)),
            Demand("for", least=1, types=("Reference:Patient",)),
            Demand("owner", types=("Reference:Organization",)),
            Demand("restriction", least=1),
            Demand("restriction.period", least=1),
            Demand("restriction.period.start", least=1),
            Demand("restriction.period.end", least=1),
            Demand("input", least=1, told_by=(("pattern", "type"),)),
            Demand("input:since", least=1, most="1"),
            Demand("input:since.type", pattern=coded_as("due.since")),
            Demand("input:since.value[x]", types=("dateTime",)),
            Demand("input:parameter", least=0, most="*"),
            Demand("input:parameter.type", pattern=coded_as("due.parameter")),
            Demand("input:parameter.value[x]", types=("Quantity",), pattern=("Quantity", {"system": UCUM})),
        ),
        "What is due in a window, by the site protocol; never overdue, which only a clock can say.",
        codes=tuple(f"due.{kind}" for kind in get_args(DueKind)),
    )
    yield Authored(
        "case",
        "Bundle",
        (
            Demand("entry", least=1),
            Demand("entry.fullUrl", least=1),
            Demand("entry.resource", least=1),
            Demand("total", most="0"),
        ),
        "A whole case: the anchor first, its members, then who and where they refer to.",
    )
