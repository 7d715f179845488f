"""The two-way table of a kind: its parts (one resource each) and their rows (one field each).

A row is written once and read both ways. `Code.implies` are the field values that choosing this code states,
so the code itself is a row too: written, the most specific code whose implications all hold is chosen; read,
the implications become field values.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from operator import attrgetter
from typing import Any

from fhirmod.episode import KINDS, Entry, is_said
from terminology import concept

from .codec import Codec, codec_of, words_of
from .places import Component, Detail, Element, Flagged, MainValue, Place, Property


@dataclass(frozen=True)
class Row:
    """One field of an entry and its place in the resource; `says_false` writes a false, which else is silence."""

    field: str
    place: Place
    says_false: bool = False

    @cached_property
    def value(self) -> Callable[[Any], Any]:
        """Return the getter of the field's value from an entry (None where a part of the path is None)."""
        if "." not in self.field:
            return attrgetter(self.field)
        first, rest = self.field.split(".", 1)

        def nested(entry: Any) -> Any:
            part = getattr(entry, first)
            return None if part is None else getattr(part, rest)

        return nested


@dataclass(frozen=True)
class Code:
    """A concept that can be this part's code, the field values it implies, and those assumed where nothing says."""

    key: str
    implies: Mapping[str, Any] = field(default_factory=dict)
    assumes: Mapping[str, Any] = field(default_factory=dict)

    def fits(self, entry: Entry) -> bool:
        return not self.implies or all(getattr(entry, name) == value for name, value in self.implies.items())


@dataclass(frozen=True)
class Part:
    """One resource of a kind's image: its type, name (the id's suffix), codes, rows, and what else it needs.

    `always` emits it for every entry, otherwise it is emitted when one of its rows has something to say; `when`
    decides instead of both. `finish(target, entry, root)` adds what no row can say (references between parts,
    computed values); it is one-way.
    """

    name: str
    type: str
    codes: tuple[Code, ...]
    rows: tuple[Row, ...] = ()
    always: bool = True
    when: Callable[[Any], bool] | None = None
    category: str | None = None
    profiles: tuple[str, ...] = ()
    finish: Callable[[dict[str, Any], Any, Any], None] | None = None

    @cached_property
    def only_code(self) -> dict[str, Any] | None:
        """Return the code where there is but one, which states nothing else."""
        [first, *more] = self.codes
        return None if more or first.implies else concept(first.key).codeable

    @cached_property
    def keys(self) -> frozenset[str]:
        """Return the concept keys a reader looks for inside this part."""
        keys = (getattr(row.place, "key", None) for row in self.rows)
        return frozenset(key for key in keys if key is not None)

    @cached_property
    def fields(self) -> frozenset[str]:
        """Return the entry's fields that its rows carry."""
        return frozenset(row.field.partition(".")[0] for row in self.rows)

    @cached_property
    def by_key(self) -> dict[str, Code]:
        return {code.key: code for code in self.codes}

    def says(self, entry: Entry) -> bool:
        """Return whether this entry has anything for this part."""
        if self.when is not None:
            return self.when(entry)
        if self.always:
            return True
        if self.fields.isdisjoint(entry.model_fields_set):  # none of them says anything by default (a test holds it)
            return False
        return any(is_said(value(entry)) for value in self._values)

    @cached_property
    def _values(self) -> tuple[Callable[[Any], Any], ...]:
        return tuple(row.value for row in self.rows)


@dataclass(frozen=True)
class Table:
    """Everything about how one kind of entry looks in FHIR."""

    kind: str
    parts: tuple[Part, ...]

    @cached_property
    def fields(self) -> set[str]:
        """Return the entry fields that some row or code carries."""
        rows = {row.field.partition(".")[0] for part in self.parts for row in part.rows}
        return rows | {name for part in self.parts for code in part.codes for name in code.implies}


class Rows:
    """The row makers of one kind: ``r = Rows("fill"); r.value("volume_ml")``."""

    def __init__(self, kind: str) -> None:
        self._kind = kind
        self._model = KINDS[kind]

    def value(self, name: str) -> Row:
        return Row(name, MainValue(self._codec(name)))

    def components(self, *names: str, required: bool = False) -> tuple[Row, ...]:
        return tuple(Row(name, Component(self._key(name), self._codec(name), required=required)) for name in names)

    def details(self, *names: str) -> tuple[Row, ...]:
        return tuple(Row(name, Detail(self._key(name), self._codec(name))) for name in names)

    def properties(self, *names: str) -> tuple[Row, ...]:
        return tuple(Row(name, Property(self._key(name), self._codec(name))) for name in names)

    def element(self, name: str, path: str) -> Row:
        return Row(name, Element(path, self._codec(name)))

    def flagged(self, name: str, element: str) -> Row:
        return Row(name, Flagged(element, self._key(name)))

    def codes(self, name: str) -> tuple[Code, ...]:
        """Return one code for each word of a field, each implying that word."""
        words = words_of(self._model.model_fields[name].annotation)
        return tuple(Code(f"{self._key(name)}.{word}", {name: word}) for word in words)

    def _key(self, name: str) -> str:
        return f"{self._kind}.{name}"

    def _codec(self, name: str) -> Codec:
        return codec_of(self._model, name, self._key(name))
