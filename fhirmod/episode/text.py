"""Free text and identifiers as the record takes them.

`Carrier` is what a bar code reader sends: the separators of ISO/IEC 15434 (EOT, FS, GS, RS) are data there.
Source: HL7 FHIR R4 datatypes, string (no control characters but tab and line ends, never blank) and id.
"""

from typing import Annotated

from pydantic import StringConstraints

Text = Annotated[
    str,
    StringConstraints(
        min_length=1,
        max_length=10_000,
        pattern=r"^[^\x00-\x08\x0b\x0c\x0e-\x1f]*\S[^\x00-\x08\x0b\x0c\x0e-\x1f]*$",
    ),
]
Label = Annotated[
    str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f]*[^\x00-\x20][^\x00-\x1f]*$")
]
Carrier = Annotated[
    str,
    StringConstraints(
        min_length=1,
        max_length=500,
        pattern=r"^[^\x00-\x03\x05-\x1b\x1f]*[^\x00-\x20][^\x00-\x03\x05-\x1b\x1f]*$",
    ),
]
Uri = Annotated[str, StringConstraints(pattern=r"^[A-Za-z][A-Za-z0-9+.-]*:\S+$", max_length=500)]
ENTRY_ID_PATTERN = r"^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"
EntryId = Annotated[str, StringConstraints(pattern=ENTRY_ID_PATTERN)]
