"""HIBC: primary data (the identifier), secondary data (lot, serial, dates), in one symbol or two, with check character.

Source: ANSI/HIBC 2.6 (2016), Health Industry Supplier Labeling Standard; table of the secondary forms as reprinted in
        the BWIPP manual, "HIBC Data Structures".
"""

import re

from .dates import read_date
from .label import NO_IDENTIFIER, Doubt, Udi, bad_date

_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
_PRIMARY = re.compile(r"\+([A-Z][A-Z0-9]{3}[A-Z0-9]{1,18}[0-9])(?:/(.*))?")
_TWO_SYMBOLS = re.compile(r"\*?[ ,;\x1d]\*?(?=\+[$0-9])")
_DATED = {"2": "MMDDYY", "3": "YYMMDD", "4": "YYMMDDHH", "5": "YYJJJ", "6": "YYJJJHH", "7": ""}
_QUANTITY = re.compile(r"8[0-9]{2}|9[0-9]{5}")


def check_character(text: str) -> str | None:
    """Return the modulo-43 check character of a text with its leading plus sign, or None for a foreign character.

    >>> check_character("+A123BJC5D6E71")
    'G'
    """
    if any(letter not in _ALPHABET for letter in text):
        return None
    return _ALPHABET[sum(map(_ALPHABET.index, text)) % 43]


def read_hibc(text: str, year: int) -> Udi | None:
    """Return what a HIBC text says, or None if it is none.

    Shape: the check character covers the whole symbol, so where it is wrong nothing of the symbol is taken.
           Asterisks around a printed text are not data; an underscore at its end prints a space.
    """
    body = text.removeprefix("*").removesuffix("*")
    body = f"{body[:-1]} " if body.endswith("_") else body
    symbols = _TWO_SYMBOLS.split(body)
    if len(symbols) > 2 or not all(len(symbol) > 6 for symbol in symbols):
        return None
    for symbol in symbols:
        right = check_character(symbol[:-1])
        if right is None:
            return None
        if right != symbol[-1]:
            return Udi(_caption(body), "hibcc", doubts=(_wrong_character(symbol[-1], right),))
    return _read(symbols, _caption(body), year)


def _read(symbols: list[str], printed: str, year: int) -> Udi | None:
    primary = _PRIMARY.fullmatch(symbols[0][:-1])
    facts: dict[str, str | None] = {}
    doubts: list[Doubt] = []
    if primary is None:
        if len(symbols) > 1 or symbols[0][1] not in "$0123456789":
            return None
        _secondary(symbols[0][1:-2], year, facts, doubts)
        doubts.append(NO_IDENTIFIER)
    elif primary[2] is not None:
        _secondary(primary[2], year, facts, doubts)
    if len(symbols) == 2:
        if symbols[1][-2] == symbols[0][-1]:
            _secondary(symbols[1][1:-2], year, facts, doubts)
        else:
            doubts.append(_other_product(symbols[1][-2], symbols[0][-1]))
    return Udi(
        printed,
        "hibcc",
        primary[1] if primary else None,
        lot=facts.get("lot"),
        serial=facts.get("serial"),
        expires=facts.get("expiry"),
        manufactured=facts.get("manufacture"),
        doubts=tuple(doubts),
    )


def _secondary(data: str, year: int, facts: dict[str, str | None], doubts: list[Doubt]) -> None:
    """Read secondary data and what is appended to it, each part after a slash.

    Where the date is none, the form is not the one its flag names, and what follows is not taken for a lot.
    """

    def dated(name: str, digits: str, form: str) -> bool:
        facts[name] = read_date(digits, form, year)
        if facts[name] is None:
            doubts.append(bad_date(name, digits))
        return facts[name] is not None

    for part in data.split("/"):
        if part.startswith("$$"):
            name, rest = ("serial", part[3:]) if part.startswith("$$+") else ("lot", part[2:])
            if quantity := _QUANTITY.match(rest):
                rest = rest[quantity.end() :]
            form = "MMYY" if rest[:1] in ("0", "1") else _DATED.get(rest[:1], "")
            start = int(form != "MMYY" and rest[:1] in _DATED)
            if not form or dated("expiry", rest[start : start + len(form)], form):
                facts[name] = rest[start + len(form) :] or None
        elif part.startswith("$"):
            name, rest = ("serial", part[2:]) if part.startswith("$+") else ("lot", part[1:])
            facts[name] = rest or None
        elif part.startswith("S"):
            facts["serial"] = part[1:] or None
        elif part.startswith("16D"):
            dated("manufacture", part[3:], "YYYYMMDD")
        elif part.startswith("14D"):
            dated("expiry", part[3:], "YYYYMMDD")
        elif part[:5].isdigit() and dated("expiry", part[:5], "YYJJJ"):
            facts["lot"] = part[5:] or None


def _caption(text: str) -> str:
    return f"{text[:-1]}_" if text.endswith(" ") else text


def _wrong_character(got: str, right: str) -> Doubt:
    shown, wanted = ("a space" if letter == " " else letter for letter in (got, right))
    says = (
        f"has the check character {shown} where its characters give {wanted} (spaces count), so none of it is relied "
        "on; it may be misread"
    )
    return Doubt("check-character", says)


def _other_product(link: str, check: str) -> Doubt:
    says = (
        f"joins secondary data with the link {link} to an identifier with the check {check}; they are of two products"
    )
    return Doubt("link", says)
