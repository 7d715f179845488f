"""Which of several resources with one business identifier is read: the first; the others are the same one again.

Source: HL7 FHIR R4, identifier of each resource: what the business knows this one by, under whatever id a server gave.
"""

from collections.abc import Iterable

Key = tuple[str, str, str]


class Copies:
    """Who was first under each key (what it is, system, value), and who came after."""

    def __init__(self) -> None:
        self._first: dict[Key, str] = {}
        self._held: dict[str, tuple[Key, ...]] = {}
        self._after: dict[str, list[str]] = {}

    def claim(self, reference: str, keys: tuple[Key, ...]) -> str | None:
        """Return who is read under one of these keys instead, or None if it is this one."""
        for key in keys:
            first = self._first.get(key)
            if first is not None and first != reference:
                after = self._after.setdefault(first, [])
                if reference not in after:
                    after.append(reference)
                return first
        self._held[reference] = keys
        for key in keys:
            self._first[key] = reference
        return None

    def leave(self, reference: str, kept: Iterable[Key]) -> list[str]:
        """Return who came after this one, if it no longer has all the keys it was first under; they may be read now."""
        held = self._held.get(reference, ())
        if set(held) <= set(kept):
            return []
        for key in held:
            if self._first.get(key) == reference:
                del self._first[key]
        self._held.pop(reference, None)
        return self._after.pop(reference, [])
