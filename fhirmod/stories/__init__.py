"""Invented episodes by seed, for the demonstration, the tests and the benchmarks: plausible, and dirty by choice.

What is here: `story` and `stories`, the tables of how often things happen (`FIGURES`, `CHANCES`, `COURSES`: each row
with its source, or said to be invented) and of what can spoil a record (`DIRT`). It knows entries as JSON values only.
"""

from .dirt import DIRT, LEVELS, Level
from .figures import CHANCES, COURSES, FIGURES, INVENTED, Chance, Figure
from .story import Story, stories, story

__all__ = [
    "CHANCES",
    "COURSES",
    "DIRT",
    "FIGURES",
    "INVENTED",
    "LEVELS",
    "Chance",
    "Figure",
    "Level",
    "Story",
    "stories",
    "story",
]
