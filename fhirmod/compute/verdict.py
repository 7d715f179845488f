"""A verdict against the site's protocol: the word, which parameters decided it, and where those come from."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from fhirmod.episode import Threshold

from .when import Interval
from .why import Why


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a comparison with the protocol says.

    Shape: `word` is the answer or why there is none; `parameters` are the thresholds as "name value unit".
    """

    word: str
    parameters: tuple[str, ...]
    source: str


def verdict(word: str, *thresholds: Threshold) -> Verdict:
    """Return a word with the thresholds that decided it.

    Units:  as each threshold's own, in the text.
    Errors: none.
    Source: the thresholds' own.
    """
    return Verdict(
        word,
        tuple(f"{one.name} {one.value:f} {one.unit}" for one in thresholds),
        "; ".join(dict.fromkeys(one.source.citation for one in thresholds)) or Why.NOT_APPLICABLE,
    )


def over_range(span: Interval, word: Callable[[Decimal], str]) -> str:
    """Return the word for an interval, if both ends of its range give the same one.

    Units:  min.
    Errors: none; where the recorded ranges straddle a limit the order is not determined.
    Source: sources.ARITHMETIC.
    """
    least, most = span.at_least_min, span.at_most_min
    if not isinstance(least, Decimal) or not isinstance(most, Decimal):
        return span.minutes if isinstance(span.minutes, Why) else Why.NOT_KNOWN
    words = {word(least), word(most)}
    return words.pop() if len(words) == 1 else Why.ORDER_NOT_DETERMINED
