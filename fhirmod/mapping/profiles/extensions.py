"""Our extensions, each only where R4 has no element for what the record says."""

from collections.abc import Iterator

from fhirmod.mapping.demand import Demand
from fhirmod.mapping.envelope import RANGES, SUBS
from fhirmod.mapping.shapes import SHAPES
from fhirmod.mapping.urls import DETAIL, ENTRY, FROM_UDI, PROTOCOL, RETRACTS, ROLE, WHY_ABSENT

from .profile import Authored

_FHIR_TYPES = {"Code": "code", "Id": "id", "DateTime": "dateTime", "String": "string", "Decimal": "decimal"}
_ANSWERS = ("Quantity", "CodeableConcept", "boolean", "dateTime", "string", "Reference:Organization")


def extensions() -> Iterator[Authored]:
    """Return every extension that our images use."""
    yield _complex(
        ENTRY,
        "The entry that a resource is the image of: what its own elements cannot say of who, when and why.",
        tuple(SHAPES),
        (
            *((sub.url, 1 if sub.url == "kind" else 0, _FHIR_TYPES.get(sub.suffix, sub.suffix)) for sub in SUBS),
            ("atPlusMinus", 0, "decimal"),
            *((url, 0, "dateTime") for url in RANGES if url != "atPlusMinus"),
        ),
    )
    yield _complex(
        DETAIL,
        "A coded question of the record and its answer, where R4 has no element for it.",
        tuple(SHAPES),
        (("code", 1, "CodeableConcept"), ("value", 1, *_ANSWERS)),
    )
    yield _complex(
        PROTOCOL,
        "The site protocol and the software whose verdicts apply to the stay.",
        ("Encounter",),
        (("id", 0, "string"), ("hash", 0, "string"), ("software", 0, "string")),
    )
    yield _simple(RETRACTS, "The entry that is taken back.", ("Provenance",), "id")
    yield _simple(ROLE, "The role in the room of the person a reference names.", ("Reference",), "string")
    yield _simple(WHY_ABSENT, "Why a value is absent, in the recorder's words.", ("Element",), "string")
    yield _simple(
        FROM_UDI,
        "The element states what the device's unique identifier says; nobody typed it.",
        ("Device.lotNumber", "Device.serialNumber", "Device.expirationDate"),
        "string",
    )


def _simple(url: str, described: str, contexts: tuple[str, ...], type_: str) -> Authored:
    demands = (
        Demand("extension", most="0"),
        Demand("url", fixed=("Uri", url)),
        Demand("value[x]", least=1, types=(type_,)),
    )
    return Authored(url.rpartition("/")[2], "Extension", demands, described, contexts=contexts)


def _complex(url: str, described: str, contexts: tuple[str, ...], parts: tuple[tuple[object, ...], ...]) -> Authored:
    """Return an extension of parts: (url, how often at least, types); a part may say why it is absent instead."""
    demands = [Demand("extension", least=1), Demand("url", fixed=("Uri", url)), Demand("value[x]", most="0")]
    for name, least, *types in parts:
        own = f"extension:{name}"
        demands += [
            Demand(own, least=int(str(least)), most="1"),
            Demand(f"{own}.url", fixed=("Uri", name)),
            Demand(f"{own}.value[x]", types=tuple(str(one) for one in types)),
        ]
    return Authored(url.rpartition("/")[2], "Extension", tuple(demands), described, contexts=contexts)
