"""Exact JSON: every digit kept on the way in and out, and nothing silently dropped or repaired."""

import re
from decimal import Decimal
from typing import Any

import jiter
import msgspec

from fhirmod.errors import TooLargeError, UnreadableError

# A number that nothing clinical needs can still cost minutes: int(Decimal("1e999999999")) builds every digit.
MAX_EXPONENT = 1000
MAX_INTEGER = 10**MAX_EXPONENT

_BOM = b"\xef\xbb\xbf"
_encode = msgspec.json.Encoder(decimal_format="number").encode
_line_and_column = re.compile(r"(?P<what>.*) at line (?P<line>\d+) column (?P<column>\d+)$", re.DOTALL)
_scalars = frozenset((str, bool, type(None)))
_nul = re.compile(rb"(?<!\\)(?:\\\\)*+\\u0000")

# jiter's words -> what would be right
_WANTED = (
    ("duplicate key", "every property may appear once in its object"),
    ("surrogate", "a \\u escape must be a whole character or a whole surrogate pair"),
    ("hex escape", "a \\u escape must be a whole character or a whole surrogate pair"),
    ("unicode", "text must be UTF-8"),
    ("trailing comma", "no comma may stand before a closing bracket"),
    ("trailing characters", "one JSON value and nothing after it"),
    ("recursion", "a document less deep"),
    ("control character", "line breaks and other control characters in text must be escaped"),
    ("Internal error", "a number with an exponent of at most 1000"),
    ("number", "a JSON number has no leading zero or plus and no bare point, and is not NaN or Infinity"),
    ("expected value", "a JSON value: an object, array, text, number, true, false or null"),
)


def parse(data: bytes, *, max_bytes: int = 16_000_000, max_depth: int = 64) -> Any:
    """Return the JSON value of `data`: numbers with a fraction or exponent as Decimal, others as int.

    Errors: TooLargeError above `max_bytes`; UnreadableError, with line and column, for broken JSON,
            duplicate keys, NaN, lone surrogates, invalid UTF-8, a byte order mark, anything after the
            value, deeper nesting than `max_depth`, numbers beyond 1000 digits of magnitude, or the character
            U+0000 in a text, which no database of texts keeps.
    Source: RFC 8259, 9 (a reader may limit numbers, depth and the characters of texts).
    """
    if len(data) > max_bytes:
        raise TooLargeError(f"The document has {len(data)} bytes; at most {max_bytes} are taken.")
    if data.startswith(_BOM):
        raise UnreadableError("A byte order mark stands at line 1 column 1; JSON must start with its value.")
    try:
        value = jiter.from_json(
            data, float_mode="decimal", catch_duplicate_keys=True, allow_inf_nan=False, cache_mode="keys"
        )
    except ValueError as broken:
        raise UnreadableError(_sentence(str(broken))) from None
    _bound(value, max_depth, data)
    if b"\\u0000" in data and (nul := _nul.search(data)) is not None:
        where = _position(data, nul.end() - 6)
        raise UnreadableError(f"The text at {where} holds the character U+0000, which no text has; leave it out.")
    return value


def dump(value: Any) -> bytes:
    """Return compact JSON in UTF-8, every Decimal with exactly its own digits (1.50 stays 1.50).

    Errors: TypeError for anything JSON has no form for.
    """
    return _encode(value)


def _sentence(said: str) -> str:
    found = _line_and_column.match(said)
    what, where = (found["what"], f" at line {found['line']} column {found['column']}") if found else (said, "")
    wanted = next((right for word, right in _WANTED if word in what), "well-formed JSON (RFC 8259)")
    if what.startswith("Detected duplicate key"):
        what = "the property " + what.removeprefix("Detected duplicate key ") + " appears twice in one object"
    elif what.startswith("Internal error"):
        what = "a number too large to hold"
    return f"The document is not readable JSON{where}: {what}; wanted: {wanted}."


def _bound(value: Any, max_depth: int, data: bytes) -> None:
    """Go down level by level, so that no depth of input is a depth of our own stack."""
    level = [value]
    depth = 0
    while level:
        below: list[Any] = []
        deeper = below.append
        for one in level:
            kind = type(one)
            if kind is dict:
                for child in one.values():
                    if type(child) not in _scalars:
                        deeper(child)
            elif kind is list:
                for child in one:
                    if type(child) not in _scalars:
                        deeper(child)
            elif kind is Decimal:
                if one and not -MAX_EXPONENT <= one.adjusted() <= MAX_EXPONENT:
                    raise _too_big(data)
            elif kind is int and not -MAX_INTEGER < one < MAX_INTEGER:
                raise _too_big(data)
        level = below
        depth += 1
        # A level of bare numbers is not a level of nesting.
        if depth >= max_depth and any(type(one) in (dict, list) for one in level):
            raise UnreadableError(f"The document nests {_place(data, max_depth)}; at most {max_depth} levels.")


_tokens = re.compile(rb'"(?:[^"\\]++|\\.)*+"|[{}\[\]]', re.DOTALL)
_huge = re.compile(rb'"(?:[^"\\]++|\\.)*+"|(-?\d[\d.]*+(?:[eE][+-]?\d+)?)', re.DOTALL)


def _place(data: bytes, max_depth: int) -> str:
    depth = 0
    for token in _tokens.finditer(data):
        if token[0] in (b"{", b"["):
            depth += 1
            if depth > max_depth:
                return "too deep at " + _position(data, token.start())
        elif token[0] in (b"}", b"]"):
            depth -= 1
    return "too deep"


def _too_big(data: bytes) -> UnreadableError:
    for token in _huge.finditer(data):
        number = token[1]
        if number and (len(number) > MAX_EXPONENT or abs(Decimal(number.decode()).adjusted()) > MAX_EXPONENT):
            return UnreadableError(
                f"The number at {_position(data, token.start())} is beyond any measurement; "
                f"at most {MAX_EXPONENT} digits before or after the point are read."
            )
    return UnreadableError(f"A number has more than {MAX_EXPONENT} digits of magnitude.")


def _position(data: bytes, offset: int) -> str:
    line = data.count(b"\n", 0, offset) + 1
    column = offset - data.rfind(b"\n", 0, offset)
    return f"line {line} column {column}"
