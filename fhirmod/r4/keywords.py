"""Keywords of our own in a JSON Schema: Python tests at the places that a schema cannot judge."""

from collections.abc import Callable
from typing import Any

from .walk import BROKEN

Test = Callable[[Any], bool]


def keyword(made: Callable[[Any], Test]) -> type[Any]:
    """Return a keyword as jsonschema-rs takes it, from what makes its test of the schema's value.

    Shape: a test that breaks on a value refuses it; the library wants an exception for a no.
    """

    class Keyword:
        def __init__(self, _parent: Any, value: Any, _path: Any) -> None:
            self._test = made(value)

        def validate(self, instance: Any) -> None:
            try:
                fits = self._test(instance)
            except BROKEN:
                fits = False
            if not fits:
                raise ValueError

    return Keyword
