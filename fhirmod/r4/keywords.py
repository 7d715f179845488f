"""Keywords of our own in a JSON Schema: Python tests at the places that a schema cannot judge."""

from collections.abc import Callable, Iterable
from typing import Any

from .definition_reading import BROKEN
from .fragments import MOOT, TRANSLATED
from .invariants import TESTS, Scope
from .meaning import bound, coding, identifier, quantity
from .narrative import problems
from .places import Place
from .plan import Check, Slot, plan
from .sorting import marks
from .walk import BEST_PRACTICE

Test = Callable[[Any], bool]


def _keyword(made: Callable[[Any], Test]) -> type[Any]:
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


def _whole_number(_value: Any) -> Test:
    """Return the test of `r4-whole`: 5 is a whole number and 5.0 is not (a decimal keeps its digits)."""
    return lambda instance: type(instance) is int


def _plain(value: Any) -> Test:
    """Return the test of `r4-plain`: the walker's own test of a primitive has nothing to say."""
    return _slot(value).plain or (lambda _instance: False)


def _narrative(_value: Any) -> Test:
    """Return the test of `r4-narrative`: the XHTML is what R4 allows."""
    return lambda instance: next(problems(instance), None) is None


def _rules(value: Any) -> Test:
    """Return the test of `r4-rules`: the rules of a type that no schema says, or of one of its elements, hold."""
    return _hold([one[3] for one in _checks(value) if one[1] == "error"])


def _quiet_rules(value: Any) -> Test:
    """Return the test of `r4-quiet-rules`: those whose breaking is a warning hold as well."""
    return _hold([one[3] for one in _checks(value) if one[0] not in BEST_PRACTICE])


def _checks(value: Any) -> Iterable[Check]:
    if len(value) > 1:
        return _slot(value).checks
    return [one for one in plan(value[0]).checks if one[0] not in MOOT and one[2] not in TRANSLATED]


def _hold(tests: list[Any]) -> Test:
    def hold(instance: Any) -> bool:
        scope = Scope(instance, instance)
        return all(test(instance, scope) is not False for test in tests)

    return hold


def _bound(value: Any) -> Test:
    """Return the test of `r4-bound`: the code is not refused by what its element is bound to."""
    return lambda instance: "error" not in _severities(value, instance)


def _quiet_bound(value: Any) -> Test:
    """Return the test of `r4-quiet-bound`: nothing is to be said of the code by what its element is bound to."""
    return lambda instance: not _severities(value, instance)


def _severities(value: Any, instance: Any) -> list[str]:
    slot, said = _slot(value), []
    if slot.bound is not None:
        bound(lambda severity, *_: said.append(severity), instance, slot, slot.bound, _NOWHERE)
    return said


def _meant(value: Any) -> Test:
    """Return the test of `r4-meant`: nothing is to be said of what a Coding, quantity or Identifier means."""
    judge = {"Coding": coding, "Identifier": identifier}.get(value, quantity)

    def fits(instance: Any) -> bool:
        said: list[str] = []
        judge(lambda severity, *_: said.append(severity), instance, _NOWHERE)
        return not said

    return fits


_NOWHERE: Place = (None, "", -1)


def _slot(value: Any) -> Slot:
    return plan(value[0]).slots[value[1]]


def _rule(value: Any) -> Test:
    """Return the test of `r4-rule`: one rule of the profile does not fail."""
    test = TESTS[value]
    return lambda instance: test(instance, Scope(instance, instance)) is not False


def _once(value: Any) -> Test:
    """Return the test of `r4-once`: of these urls or codings, none stands in two values of a list."""
    of = marks(value[0])
    only = {one if isinstance(one, str) else tuple(one) for one in value[1]}

    def holds(instance: Any) -> bool:
        found = [mark for one in instance for mark in of(one)]
        return len(found) == len(set(found)) or all(found.count(mark) == 1 for mark in only.intersection(found))

    return holds


KEYWORDS = {
    "r4-whole": _keyword(_whole_number),
    "r4-plain": _keyword(_plain),
    "r4-narrative": _keyword(_narrative),
    "r4-rules": _keyword(_rules),
    "r4-bound": _keyword(_bound),
    "r4-quiet-rules": _keyword(_quiet_rules),
    "r4-quiet-bound": _keyword(_quiet_bound),
    "r4-meant": _keyword(_meant),
    "r4-rule": _keyword(_rule),
    "r4-once": _keyword(_once),
}
