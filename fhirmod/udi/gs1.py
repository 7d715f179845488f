"""GS1: element strings as printed (with parentheses), as scanned (with separators), and as Digital Link addresses.

The library biip knows the application identifiers; the check digit's consequence, dates (it takes the clock's year
and the last day for day 00) and what counts as a device's facts are decided here.
Source: GS1 General Specifications, sections 3 (application identifiers), 7.8 (separators), 7.9 (check digit).
"""

from .dates import read_date
from .label import NO_IDENTIFIER, Doubt, Udi, bad_date

SEPARATOR = "\x1d"
_FACTS = frozenset({"01", "10", "11", "17", "21"})


def read_gs1(text: str, year: int) -> Udi | None:
    """Return what a GS1 text says, or None if it is none.

    Shape: with a wrong check digit the identifier is None and the rest stands: the digit covers the identifier only.
    """
    elements = _elements(text)
    if elements is None:
        return None
    facts: dict[str, str] = {}
    doubts: list[Doubt] = []
    for ai, value in elements:
        if ai in _FACTS and facts.setdefault(ai, value) != value:
            doubts.append(Doubt("repeats", f"states its element ({ai}) twice, differently; it may hold two labels"))
    identifier = facts.get("01")
    if identifier is None:
        doubts.append(NO_IDENTIFIER)
    elif (right := check_digit(identifier[:-1])) != identifier[-1]:
        doubts.append(wrong_digit(identifier[-1], right))
        identifier = None
    dates = {}
    for ai, name in (("11", "manufacture"), ("17", "expiry")):
        dates[ai] = read_date(facts[ai], "YYMMDD", year) if ai in facts else None
        if ai in facts and dates[ai] is None:
            doubts.append(bad_date(name, facts[ai]))
    return Udi(
        printed=text if text.startswith("(") else "".join(f"({ai}){value}" for ai, value in elements),
        agency="gs1",
        identifier=identifier,
        lot=facts.get("10"),
        serial=facts.get("21"),
        manufactured=dates["11"],
        expires=dates["17"],
        doubts=tuple(doubts),
    )


def check_digit(digits: str) -> str:
    """Return GS1's check digit of a number without it: weights 3 and 1 from the right, up to the next ten.

    >>> check_digit("0081234567890")
    '1'
    """
    total = sum(int(digit) * (1 if place % 2 else 3) for place, digit in enumerate(reversed(digits)))
    return str(-total % 10)


def wrong_digit(got: str, right: str) -> Doubt:
    """Return the doubt about a check digit."""
    says = f"has the check digit {got} where its digits give {right}, so it names no device; it may be misread"
    return Doubt("check-digit", says)


def _elements(text: str) -> list[tuple[str, str]] | None:
    """Return the (application identifier, value) pairs of a text in any of the three forms, or None."""
    if not text.isascii():
        return None
    if _is_lone_gtin(text):
        return [("01", text.zfill(14))]
    from biip import ParseConfig, ParseError  # noqa: PLC0415  slow to load, wanted only where a device has a UDI
    from biip.gs1_digital_link_uris import GS1DigitalLinkURI  # noqa: PLC0415
    from biip.gs1_messages import GS1Message  # noqa: PLC0415

    config = ParseConfig(gs1_element_strings_verify_date=False, separator_chars=(SEPARATOR,))
    try:
        if text.startswith("("):
            found = GS1Message.parse_hri(text, config=config).element_strings
        elif text[:8].lower().startswith(("http://", "https://")):
            found = GS1DigitalLinkURI.parse(text, config=config).element_strings
        elif text[:2].isdigit():
            found = GS1Message.parse(text, config=config).element_strings
        else:
            return None
    except (ParseError, ValueError):
        return None
    return [(one.ai.ai, one.value) for one in found] or None


def _is_lone_gtin(text: str) -> bool:
    """Return whether a text is a bare 13- or 14-digit trade item number; 13 digits may also be a date and a lot."""
    if not text.isdigit() or len(text) not in (13, 14) or check_digit(text[:-1]) != text[-1]:
        return False
    return len(text) == 14 or text[:2] not in _FACTS
