"""Chance that falls the same on every machine: only `Random.random` is used, and no function of the C library.

Python promises the sequence of `random()` for a seed; it does not promise that of `gauss` or `sample`.
"""

from collections.abc import Sequence
from decimal import Decimal
from random import Random
from typing import TypeVar

T = TypeVar("T")
_WORD = 2**32


class Dice:
    """One story's chance, from its seed alone."""

    def __init__(self, seed: str) -> None:
        self._random = Random(seed).random  # noqa: S311  stories, not secrets

    def chance(self, percent: int) -> bool:
        """Return true so many times in a hundred."""
        return self._random() * 100 < percent

    def whole(self, low: int, high: int) -> int:
        """Return a whole number from low to high, each as likely."""
        return low + int(self._random() * (high - low + 1))

    def pick(self, choices: Sequence[T]) -> T:
        """Return one of the choices, each as likely."""
        return choices[int(self._random() * len(choices))]

    def weighted(self, choices: Sequence[tuple[T, int]]) -> T:
        """Return one of the choices, as likely as its weight says."""
        left = self._random() * sum(weight for _, weight in choices)
        for choice, weight in choices:
            left -= weight
            if left < 0:
                return choice
        return choices[-1][0]

    def around(self, low: int, typical: int, high: int) -> int:
        """Return a whole number from low to high, most often near the typical one (the mean of three draws)."""
        bell = (self._random() + self._random() + self._random()) * 2 / 3 - 1
        span = typical - low if bell < 0 else high - typical
        return typical + int(bell * span + (0.5 if bell > 0 else -0.5))

    def tenths(self, low: int, typical: int, high: int) -> Decimal:
        """Return what `around` does of so many tenths, as a number with one decimal."""
        return Decimal(self.around(low, typical, high)).scaleb(-1)

    def uuid(self) -> str:
        """Return an id of the form of RFC 4122 version 4."""
        a, b, c, d = (int(self._random() * _WORD) for _ in range(4))
        return f"{a:08x}-{b >> 16:04x}-4{b & 0xFFF:03x}-8{c >> 20:03x}-{c & 0xFFFF:04x}{d:08x}"
