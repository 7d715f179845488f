"""Exact JSON, judged by RFC 8259 and the R4 JSON rules (http://hl7.org/fhir/R4/json.html)."""

import contextlib
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhirmod.errors import TooLargeError, UnreadableError
from fhirmod.r4 import dump, parse

# R4: "decimals ... precision SHALL be preserved" (json.html#primitive).
DIGITS = [
    "1.50",
    "0.010",
    "0.0",
    "-0.00",
    "123456789012345678901234567890.10",
    "72.500",
    "100",
    "-1",
    "1.0E+2",
]


@pytest.mark.parametrize("text", DIGITS)
def test_every_digit_comes_back(text: str) -> None:
    assert dump(parse(b'{"value":%b}' % text.encode())) == b'{"value":%b}' % text.encode()


@pytest.mark.parametrize(
    ("text", "value"), [("1e3", Decimal(1000)), ("1E-3", Decimal("0.001")), ("2e+2", Decimal(200))]
)
def test_an_exponent_keeps_value_and_precision(text: str, value: Decimal) -> None:
    read = parse(text.encode())
    assert read == value
    assert isinstance(read, Decimal)
    assert parse(dump(read)).as_tuple() == read.as_tuple()


def test_whole_numbers_stay_integers() -> None:
    assert type(parse(b"5")) is int
    assert type(parse(b"5.0")) is Decimal


REFUSED = {
    "duplicate key": (b'{"a":1,\n "a":2}', "line 2 column"),
    "duplicate key, escaped": (b'{"a":1,"\\u0061":2}', "appears twice"),
    "not a number": (b"[NaN]", "line 1 column 2"),
    "infinity": (b"[-Infinity]", "line 1"),
    "lone high surrogate": (b'"\\ud800"', "surrogate pair"),
    "lone low surrogate": (b'"\\udc00"', "surrogate pair"),
    "surrogate in UTF-8": (b'"\xed\xa0\x80"', "UTF-8"),
    "not UTF-8": (b'"\xff"', "UTF-8"),
    "byte order mark": (b"\xef\xbb\xbf{}", "byte order mark"),
    "text after the value": (b"{}\n{}", "line 2 column 1"),
    "control character": (b'"a\nb"', "control"),
    "leading zero": (b"01", "leading zero"),
    "leading plus": (b"+1", "line 1 column 1"),
    "bare point": (b".5", "line 1 column 1"),
    "trailing point": (b"[1.]", "line 1"),
    "trailing comma": (b'{"a":1,}', "comma"),
    "comment": (b"{/* */}", "line 1"),
    "empty": (b"", "line 1"),
    "cut short": (b'{"a":', "line 1 column 5"),
    "single quotes": (b"{'a':1}", "line 1"),
    "huge exponent": (b'{"a":\n1e5000}', "line 2 column 1"),
    "exponent beyond all": (b"1e99999999999999999999", "exponent"),
    "more digits than any measurement": (b"9" * 1001, "1000 digits"),
    "more digits than the interpreter prints": (b"9" * 5000, "line 1"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_not_exact_json_is_refused_with_its_place(case: str) -> None:
    data, expected = REFUSED[case]
    with pytest.raises(UnreadableError) as raised:
        parse(data)
    sentence = str(raised.value)
    assert expected in sentence
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert raised.value.findings[0].code == "unreadable"


def test_depth_is_counted_in_objects_and_arrays() -> None:
    assert parse(b"[" * 64 + b"1" + b"]" * 64)
    with pytest.raises(UnreadableError, match="line 1 column 65"):
        parse(b"[" * 65 + b"1" + b"]" * 65)
    with pytest.raises(UnreadableError):
        parse(b'{"a":' * 5000 + b"1" + b"}" * 5000)


def test_size_is_counted_in_bytes() -> None:
    assert parse(b'"' + b"a" * 8 + b'"', max_bytes=10) == "aaaaaaaa"
    with pytest.raises(TooLargeError, match="11 bytes"):
        parse(b'"' + b"a" * 9 + b'"', max_bytes=10)


_numbers = st.integers(-(10**30), 10**30) | st.decimals(allow_nan=False, allow_infinity=False, places=6)
_texts = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]))  # U+0000 is refused when read
_json = st.recursive(
    st.none() | st.booleans() | _numbers | _texts,
    lambda inner: st.lists(inner) | st.dictionaries(_texts, inner),
    max_leaves=20,
)


@given(_json)
def test_what_is_written_is_read_back(value: object) -> None:
    assert parse(dump(value)) == value


@given(st.binary(max_size=60) | st.text(alphabet='{}[]":,\\u019eE.+-truefalsn d8', max_size=40).map(str.encode))
def test_no_bytes_raise_anything_else(data: bytes) -> None:
    with contextlib.suppress(UnreadableError):
        parse(data)
