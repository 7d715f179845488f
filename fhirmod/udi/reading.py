"""From the text of a unique device identifier to what it says, whichever agency issued it."""

import re
from functools import lru_cache

from .gs1 import SEPARATOR, check_digit, read_gs1, wrong_digit
from .hibc import check_character, read_hibc
from .isbt import read_isbt
from .label import Agency, Doubt, Udi

# ISO/IEC 15424 symbology identifiers: ]d2 GS1 DataMatrix, ]C1 GS1-128, ]Q3 GS1 QR code, ]C0 Code 128 ...
_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z]")
_CONTROL = re.compile(r"[\x00-\x1f]")
_UNKNOWN = Doubt("form", "is in none of the forms of GS1, HIBC or ISBT 128, so it names no device; it may be misread")


@lru_cache(maxsize=1024)
def read_udi(text: str, year: int) -> Udi:
    """Return what a device identifier's text says; doubts where something is wrong, never an error.

    Shape: `year` is what shortened years are counted from (when it was recorded). A reader's symbology prefix and a
           leading separator are not data; "<GS>" and the picture of the group separator stand for it.
    """
    body = _SYMBOLOGY.sub("", text, count=1) if text.startswith("]") else text
    body = body.replace("<GS>", SEPARATOR).replace("\u241d", SEPARATOR).lstrip(f"{SEPARATOR} ")
    if body.startswith(("+", "*+")):
        found = read_hibc(body, year)
    elif body.startswith(("=", "&")):
        found = read_isbt(body.strip(), year)
    else:
        found = read_gs1(body.strip(), year)
    if found is not None:
        return _visible(found)
    lone = body.strip()
    if len(lone) == 14 and lone.isascii() and lone.isdigit():
        return Udi(lone, "gs1", doubts=(wrong_digit(lone[-1], check_digit(lone[:-1])),))
    return Udi(_pictures(text), doubts=(_UNKNOWN,))


def as_printed(agency: Agency, identifier: str) -> str | None:
    """Return the text that carries this device identifier and no more, or None if the agency has no such identifier.

    >>> as_printed("gs1", "00812345678901"), as_printed("hibcc", "A123BJC5D6E71"), as_printed("gs1", "A123")
    ('(01)00812345678901', '+A123BJC5D6E71G', None)
    """
    match agency:
        case "gs1":
            text = f"(01){identifier.zfill(14)}"
        case "hibcc":
            text = f"+{identifier}{check_character(f'+{identifier}') or ''}"
        case "iccbba":
            text = f"=/{identifier}"
        case "iccbba-blood":
            text = f"=){identifier}"
    read = read_udi(text, 2000)
    return text if read.identifier is not None and not read.doubts and read.agency == agency else None


def _visible(udi: Udi) -> Udi:
    if not _CONTROL.search(udi.printed):
        return udi
    parts = {name: getattr(udi, name) for name in Udi.__dataclass_fields__}
    return Udi(**parts | {"printed": _pictures(udi.printed)})


def _pictures(text: str) -> str:
    """Return a text with its control characters as Unicode's pictures of them."""
    return _CONTROL.sub(lambda found: chr(0x2400 + ord(found[0])), text)
