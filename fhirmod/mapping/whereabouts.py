"""Where the parts of an entry stand: under our ids, or as the resources of whoever wrote them."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """The references of parts that others wrote: ours would be the key; `foreign` are the roots of their entries."""

    found: Mapping[str, str] = field(default_factory=dict)
    foreign: frozenset[str] = frozenset()

    def of(self, reference: str) -> str | None:
        """Return the reference under which a part really stands, or None if there is no such resource."""
        return self.found.get(reference) if root_of(reference) in self.foreign else reference


def root_of(reference: str) -> str:
    """Return the root entry's id that a reference of ours is made with (``Type/<root>.<part>``)."""
    return reference.partition("/")[2].partition(".")[0]
