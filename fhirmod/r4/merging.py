"""Two JSON Schemas as one that says what both say, so that each value is visited once instead of twice.

What cannot be put together stands side by side under `allOf`, so the result is never less strict than the two.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import jsonschema_rs

from .keywords import KEYWORDS

Schema = dict[str, Any]
_SWITCH = ("if", "then", "else")
_COUNTED = ("contains", "minContains", "maxContains")


class Merging:
    """The making of schemas from schemas that refer to the same definitions."""

    def __init__(self, defs: Mapping[str, Schema]) -> None:
        self._defs = defs

    def both(self, base: Any, demand: Any) -> Any:
        """Return what says all that a schema says and all that is demanded beside."""
        if base in (True, {}) or demand in (True, {}):
            return demand if base in (True, {}) else base
        if base is False or demand is False:
            return False
        wanted = dict(demand)
        if "if" in wanted:
            return self._switched(base, wanted)
        made = self._open(base)
        for part in wanted.pop("allOf", ()):
            made = self.both(made, part)
        if made is not False and ("const" in wanted or "enum" in wanted):
            made = self._one_of(made, wanted)
        for word, value in wanted.items():
            if made is False:
                return False
            self._add(made, word, value, wanted)
        return _pruned(made)

    def _open(self, schema: Schema) -> Any:
        """Return a copy with what its `$ref` leads to in its place."""
        if "$ref" not in schema:
            return {**schema}
        beside = {word: value for word, value in schema.items() if word != "$ref"}
        led = self._defs[schema["$ref"].rpartition("/")[2]]
        if not led:
            raise ValueError("A definition is looked into before it is made.")
        opened = self._open(led)
        return self.both(opened, beside) if beside else opened

    def _one_of(self, base: Schema, wanted: Schema) -> Any:
        """Return which of the wanted values the base takes; then nothing else is to be asked of them."""
        values = [wanted.pop("const")] if "const" in wanted else wanted.pop("enum")
        defs = self._defs if base.get("type") in ("object", "array") else {}
        takes = jsonschema_rs.Draft202012Validator({**base, "$defs": defs}, keywords=KEYWORDS)
        values = [one for one in values if takes.is_valid(one)]
        return ({"const": values[0]} if len(values) == 1 else {"enum": values}) if values else False

    def _add(self, made: Schema, word: str, value: Any, wanted: Schema) -> None:
        if word in _COUNTED[1:] and "contains" in wanted:
            return
        unit = _COUNTED if word in _COUNTED else (word,)
        if not any(one in made for one in unit):
            made.update({one: wanted[one] for one in unit if one in wanted})
            return
        match word:
            case "properties":
                made[word] = self._properties(made, value)
            case "required":
                made[word] = [*made[word], *(one for one in value if one not in made[word])]
            case "items":
                made[word] = self.both(made[word], value)
            case "minItems" | "minLength" | "minimum" | "minProperties":
                made[word] = max(made[word], value)
            case "maxItems" | "maxLength" | "maximum" | "maxProperties":
                made[word] = min(made[word], value)
            case "dependentRequired":
                own = made[word]
                made[word] = own | {key: sorted({*own.get(key, ()), *keys}) for key, keys in value.items()}
            case "dependentSchemas":
                own = made[word]
                made[word] = own | {key: self.both(own.get(key, True), one) for key, one in value.items()}
            case _ if any(made.get(one) != wanted.get(one) for one in unit):
                made["allOf"] = [*made.get("allOf", ()), {one: wanted[one] for one in unit if one in wanted}]

    def _properties(self, made: Schema, wanted: Schema) -> Schema:
        """Return the properties of both; a closed object gets no more of them."""
        own: Schema = made["properties"]
        closed = made.get("additionalProperties") is False
        return own | {
            key: self.both(own.get(key, True), one) for key, one in wanted.items() if key in own or not closed
        }

    def _switched(self, base: Any, wanted: Schema) -> Any:
        """Return the demanded switch with the base in each branch; the condition may answer switches of the base."""
        switch = {word: wanted.pop(word) for word in _SWITCH if word in wanted}
        base = self.both(base, wanted)
        told = _told(switch["if"])
        then = self.both(self.given(base, *told) if told else base, switch.get("then", True))
        return {"if": switch["if"], "then": then, "else": self.both(base, switch.get("else", True))}

    def given(self, schema: Any, name: str, value: Any) -> Any:
        """Return a schema for objects whose property has a value: switches on it are answered."""
        while isinstance(schema, dict):
            opened = self._open(schema)
            if opened is False or (answer := _answer(opened.get("if"), name, value)) is None:
                break
            rest = {word: one for word, one in opened.items() if word not in _SWITCH}
            schema = self.both(rest, opened.get("then" if answer else "else", True))
        return schema


def switch(cases: Sequence[tuple[Schema, Any]], otherwise: Any) -> Any:
    """Return what the first case demands whose condition holds, else something else.

    Shape: many conditions that differ in one constant alone are halved, so that few are asked of a value.
    """
    if not cases:
        return otherwise
    half = len(cases) // 2
    common, places = _common([condition for condition, _ in cases[:half]]) if half > 1 else ({}, 0)
    if places == 1:
        return {"if": common, "then": switch(cases[:half], otherwise), "else": switch(cases[half:], otherwise)}
    (condition, demand), *more = cases
    return {"if": condition, "then": demand, "else": switch(more, otherwise)}


def _common(ones: Sequence[Any]) -> tuple[Any, int]:
    """Return a condition that holds where one of several holds, and in how many constants they differ.

    Shape: it says no more than they do only where they differ in one; what is no constant counts as many.
    """
    first = ones[0]
    if all(one == first for one in ones):
        return first, 0
    if not all(isinstance(one, dict) and one.keys() == first.keys() for one in ones):
        return first, _MANY
    if first.keys() == {"const"}:
        return {"enum": [one["const"] for one in ones]}, 1
    parts = {word: _common([one[word] for one in ones]) for word in first}
    return {word: part for word, (part, _) in parts.items()}, sum(places for _, places in parts.values())


_MANY = 2


def _told(condition: Any) -> tuple[str, Any] | None:
    """Return which one property must have which value for a condition to hold, if that is all it says."""
    if not isinstance(condition, dict) or condition.keys() != {"required", "properties"}:
        return None
    (name, *more), properties = condition["required"], condition["properties"]
    if more or properties.keys() != {name} or properties[name].keys() != {"const"}:
        return None
    return name, properties[name]["const"]


def _answer(condition: Any, name: str, value: Any) -> bool | None:
    """Return whether a condition on one property holds for its value, or None if it says something else."""
    if not isinstance(condition, dict) or not condition.keys() <= {"required", "properties"}:
        return None
    if condition.get("required", [name]) != [name] or condition.get("properties", {}).keys() != {name}:
        return None
    said = condition["properties"][name]
    if said.keys() == {"const"}:
        return bool(said["const"] == value)
    return value in said["enum"] if said.keys() == {"enum"} else None


def _pruned(made: Any) -> Any:
    """Return a closed object's schema without what is said of properties that it cannot have."""
    if made is False or made.get("additionalProperties") is not False:
        return made
    properties = {key: one for key, one in made["properties"].items() if one is not False}
    made = {**made, "properties": properties}
    if any(key not in properties for key in made.get("required", ())):
        return False
    if "dependentRequired" in made:
        made["dependentRequired"] = {key: one for key, one in made["dependentRequired"].items() if key in properties}
    if "dependentSchemas" in made:
        asked = {key: _trimmed(one, properties) for key, one in made["dependentSchemas"].items() if key in properties}
        made["dependentSchemas"] = {key: one for key, one in asked.items() if one not in (True, {})}
    return {word: value for word, value in made.items() if word == "properties" or value not in ({}, [])}


def _trimmed(schema: Any, properties: Mapping[str, Any]) -> Any:
    if not isinstance(schema, dict) or schema.keys() != {"properties"}:
        return schema
    shut = {key: one for key, one in schema["properties"].items() if one is not False or key in properties}
    return {"properties": shut} if shut else {}


def lean(schema: Schema) -> Schema:
    """Return a schema that does not ask in a condition whether there is what its `then` requires anyway.

    Shape: it is as strict or stricter: what has not the property is refused by `then`.
    """
    defs: Mapping[str, Any] = schema.get("$defs", {})

    def requires(part: Any, name: str) -> bool:
        """Return whether a schema takes no object without the property."""
        if not isinstance(part, dict):
            return part is False
        if name in part.get("required", ()) or ("$ref" in part and requires(defs[part["$ref"][8:]], name)):
            return True
        return "if" in part and requires(part.get("then", True), name) and requires(part.get("else", True), name)

    def change(part: Schema) -> Schema:
        condition = part.get("if", {})
        if "then" in part and len(asked := condition.get("required", ())) == 1 and requires(part["then"], asked[0]):
            part = part | {"if": {word: said for word, said in condition.items() if word != "required"}}
        return _within(part, change)

    return change(schema)


def shared(schema: Schema) -> Schema:
    """Return a schema of the same meaning in which what stands twice stands once, among the definitions.

    Shape: a library compiles each definition once, and what is small stays where the processor finds it.
    """
    counts: Counter[int] = Counter()
    numbers: dict[Any, int] = {}
    known: dict[int, int] = {}

    def number(value: Any) -> int:
        """Return a number that two values share if and only if they are the same."""
        if id(value) not in known:
            kind: Any = type(value).__name__
            if isinstance(value, dict):
                key = (kind, *sorted((word, number(part)) for word, part in value.items()))
            elif isinstance(value, list):
                key = (kind, *map(number, value))
            else:
                return numbers.setdefault((kind, value), len(numbers))
            known[id(value)] = numbers.setdefault(key, len(numbers))
        return known[id(value)]

    def count(part: Schema) -> Schema:
        counts[number(part)] += 1
        return part if counts[number(part)] > 1 else _within(part, count)

    defs: dict[str, Schema] = {}

    def once(part: Schema) -> Schema:
        if counts[number(part)] < 2 or part.keys() == {"$ref"}:
            return _within(part, once)
        name = f"shared-{number(part)}"
        if name not in defs:
            defs[name] = _within(part, once)
        return {"$ref": f"#/$defs/{name}"}

    _within(schema, count)
    made = _within(schema, once)
    return made | {"$defs": made.get("$defs", {}) | defs}


_ONE = frozenset(("items", "contains", "if", "then", "else", "not", "additionalProperties"))
_SOME = frozenset(("allOf", "anyOf"))
_NAMED = frozenset(("properties", "patternProperties", "dependentSchemas", "$defs"))


def _within(schema: Schema, change: Callable[[Schema], Schema]) -> Schema:
    """Return a schema whose parts are changed."""

    def changed(part: Any) -> Any:
        return change(part) if isinstance(part, dict) and part else part

    made = {}
    for word, value in schema.items():
        if word in _ONE:
            made[word] = changed(value)
        elif word in _SOME:
            made[word] = [changed(part) for part in value]
        elif word in _NAMED:
            made[word] = {name: changed(part) for name, part in value.items()}
        else:
            made[word] = value
    return made
