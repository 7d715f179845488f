"""The clinical and completeness rules: what the record itself shows, stated and cited, never an instruction.

::

    episode ──> Facts (standing entries, computed parts) ──> RULES ──> (place, sentence) ──> Finding

What is here: `findings` (every open one), `open_now` (those a bedside shows), `assessed` (a state with them joined),
`RULES` and their `catalogue`. A rule is one function in `rules`; rules warn and refuse nothing. What is nobody's
rule at a bedside: drugs before birth, withdrawals outside a usual step, a single shock index of 0.9, incomplete
criteria, a missing UDI, late entries.
"""

from .finding import assessed, findings, open_now
from .rule import Rule, catalogue
from .rules import RULES

__all__ = ["RULES", "Rule", "assessed", "catalogue", "findings", "open_now"]
