"""Every R4 invariant as a small Python function beside its FHIRPath; found by the FHIRPath text.

Keys repeat in R4 (`inv-1` is two rules) and texts repeat too (a rule under several keys), so the text is
what a function answers for; key and severity come with the definitions.
"""

from . import clinical, conformance, datatypes, structures
from .logic import Row, Scope, Test, Truth
from .words import WORDS, wanted

ROWS: tuple[Row, ...] = (*datatypes.ROWS, *clinical.ROWS, *conformance.ROWS, *structures.ROWS)
TESTS: dict[str, Test] = {text: test for _, text, test in ROWS}

__all__ = ["ROWS", "TESTS", "WORDS", "Row", "Scope", "Test", "Truth", "wanted"]
