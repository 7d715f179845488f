"""What a device's unique identifier says: GS1, HIBC and ISBT 128 texts read into identifier, lot, serial and dates.

::

    text (printed, scanned, typed) --read_udi()--> Udi: issuing agency, device identifier, label facts, doubts

Knows no entry and no FHIR, and no clock: the year that two-digit years are counted from is given. Nothing here
refuses a text; what cannot be relied on is a doubt, and the text is kept by whoever has it.
"""

from .label import Agency, Doubt, Udi
from .reading import as_printed, read_udi

__all__ = ["Agency", "Doubt", "Udi", "as_printed", "read_udi"]
