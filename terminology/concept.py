"""A concept of ours and the codes that stand for it."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

Relation = Literal["own", "same", "broader", "narrower", "neighbour"]

WRITTEN: tuple[Relation, ...] = ("same", "own", "broader")
READ: tuple[Relation, ...] = ("own", "same", "narrower")


@dataclass(frozen=True, slots=True)
class Coding:
    """One code in one system and how its meaning stands to ours: theirs is the same, broader, narrower, near.

    Shape: `grade` A (seen in two or more public sources), B (in one), own; `source` is keys of `SOURCES`.
    """

    system: str
    code: str
    display: str
    grade: Literal["A", "B", "own"]
    source: str
    relation: Relation

    @property
    def fhir(self) -> dict[str, str]:
        """Return a new FHIR Coding."""
        return {"system": self.system, "code": self.code, "display": self.display}


@dataclass(frozen=True)
class Concept:
    """What we mean, in our words, with its codings: the same meaning first, then our own, then the others."""

    key: str
    code: str
    display: str
    unit: str | None
    codings: tuple[Coding, ...]

    @cached_property
    def codeable(self) -> dict[str, Any]:
        """Return the FHIR CodeableConcept, built once and shared: never change it.

        Shape: codings of the same meaning, our own, broader ones; narrower and neighbouring ones would say
               something we do not mean and are left out.
        """
        written = [coding.fhir for coding in self.codings if coding.relation in WRITTEN]
        return {"coding": written, "text": self.display}
