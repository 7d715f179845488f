"""The forms a device identifier comes in, what is written is read back, and nothing a scanner sends is an error."""

from datetime import date, timedelta

import pytest
from biip.checksums import gs1_standard_check_digit
from biip.gs1_messages import GS1Message
from hypothesis import given
from hypothesis import strategies as st

from fhirmod.udi import as_printed, read_udi
from fhirmod.udi.dates import read_date, whole_year
from fhirmod.udi.gs1 import check_digit
from fhirmod.udi.hibc import check_character

GS = "\x1d"
YEAR = 2026
# GS1's character set 82 without parentheses (they are read as identifiers in a printed text) and HIBC's letters.
SET_82 = "!\"%&'*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
DIGITS = st.text("0123456789", min_size=13, max_size=13)
WORDS = st.text(SET_82, min_size=1, max_size=20)
PLAIN = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", min_size=1, max_size=13)
DAYS = st.dates(date(1977, 1, 1), date(2076, 12, 31))


@given(DIGITS, WORDS, WORDS, DAYS, DAYS)
def test_gs1_is_read_the_same_printed_scanned_and_with_a_symbology_prefix(
    digits: str, lot: str, serial: str, made: date, expires: date
) -> None:
    gtin = digits + check_digit(digits)
    printed = f"(01){gtin}(11){made:%y%m%d}(17){expires:%y%m%d}(10){lot}(21){serial}"
    scanned = f"01{gtin}11{made:%y%m%d}17{expires:%y%m%d}10{lot}{GS}21{serial}"
    forms = [printed, scanned, f"]d2{scanned}", f"]C1{GS}{scanned}", f"]Q3{scanned}", scanned.replace(GS, "\u241d")]
    for text in forms:
        read = read_udi(text, YEAR)
        assert (read.identifier, read.lot, read.serial) == (gtin, lot, serial)
        assert (read.manufactured, read.expires) == (made.isoformat(), expires.isoformat())
        assert read.printed == printed
        assert read.doubts == ()


@given(DIGITS)
def test_gs1_check_digits_are_those_of_biip(digits: str) -> None:
    assert check_digit(digits) == str(gs1_standard_check_digit(digits))


@given(DAYS)
def test_gs1_dates_are_those_of_biip_where_the_day_is_stated(day: date) -> None:
    peer = GS1Message.parse(f"17{day:%y%m%d}").element_strings[0].date
    # biip counts from the clock's year; both windows are the same in these years but at their edges.
    if peer is not None and abs((peer - date(YEAR, 6, 1)).days) < 40 * 365:
        assert read_date(f"{day:%y%m%d}", "YYMMDD", YEAR) == peer.isoformat()


def test_a_day_that_is_not_stated_is_not_made_up() -> None:
    # GS1 General Specifications 3.4: day 00 where only year and month are known.
    assert read_udi("(01)00812345678901(17)270200", YEAR).expires == "2027-02"


def test_a_digital_link_address_is_read() -> None:
    # GS1 Digital Link: https://www.gs1.org/standards/gs1-digital-link (the form of biip's documentation).
    read = read_udi("https://id.gs1.org/01/00614141123452/10/ABC1/21/12345?17=280426", YEAR)
    assert (read.identifier, read.lot, read.serial, read.expires) == ("00614141123452", "ABC1", "12345", "2028-04-26")
    assert read.printed == "(01)00614141123452(10)ABC1(21)12345(17)280426"


@pytest.mark.parametrize(
    ("digits", "year", "full"),
    # GS1 General Specifications 7.12: a difference of 51 to 99 is the century before, -50 to -99 the one after.
    [("76", 2026, 2076), ("77", 2026, 1977), ("00", 2026, 2000), ("49", 2099, 2149), ("50", 2099, 2050)],
)
def test_the_century_slides_with_the_year_of_recording(digits: str, year: int, full: int) -> None:
    assert whole_year(digits, year) == full


@given(st.integers(1, 366), st.integers(2000, 2400))
def test_a_day_of_the_year_is_the_calendars(number: int, year: int) -> None:
    wanted = date(year, 1, 1) + timedelta(days=number - 1)
    read = read_date(f"{year % 1000:03}{number:03}", "YYYJJJ", YEAR)
    assert read == (wanted.isoformat() if wanted.year == year else None)


@given(PLAIN.map(lambda text: "A999" + text[:12] + "0"), PLAIN, DAYS, st.sampled_from(["", "804", "900012"]))
def test_every_hibc_form_is_read_back(identifier: str, lot: str, expires: date, quantity: str) -> None:
    day, month = expires.isoformat(), f"{expires:%Y-%m}"
    forms = {
        f"$$2{expires:%m%d%y}": day,
        f"$$3{expires:%y%m%d}": day,
        f"$$4{expires:%y%m%d}23": day,
        f"$$5{expires:%y%j}": day,
        f"$$6{expires:%y%j}00": day,
        f"$${expires:%m%y}": month,
        "$$7": None,
        f"{expires:%y%j}": day,
    }
    for form, wanted in forms.items():
        data = f"$${quantity}{form[2:]}" if form.startswith("$$") else form
        read = read_udi(_checked(f"+{identifier}/{data}{lot}"), YEAR)
        assert (read.identifier, read.lot, read.expires, read.doubts) == (identifier, lot, wanted, ())
    serial = read_udi(_checked(f"+{identifier}/$$+3{expires:%y%m%d}{lot}"), YEAR)
    assert (serial.serial, serial.lot, serial.expires) == (lot, None, day)
    assert read_udi(_checked(f"+{identifier}/$+{lot}"), YEAR).serial == lot


@given(PLAIN.map(lambda text: f"+A999{text[:12]}0"), PLAIN)
def test_two_hibc_symbols_are_joined_by_their_link(primary: str, lot: str) -> None:
    first = _checked(primary)
    second = _checked(f"+$${'7'}{lot}{first[-1]}")
    read = read_udi(f"{first} {second}", YEAR)
    assert (read.identifier, read.lot, read.doubts) == (primary[1:], lot, ())
    other = _checked(f"+$$7{lot}{'A' if first[-1] != 'A' else 'B'}")
    apart = read_udi(f"{first} {other}", YEAR)
    assert (apart.identifier, apart.lot, [doubt.code for doubt in apart.doubts]) == (primary[1:], None, ["link"])


@given(PLAIN, st.integers(0, 42))
def test_any_other_hibc_check_character_takes_nothing(text: str, shift: int) -> None:
    whole = _checked(f"+A999{text[:12]}0/$$7{text}")
    other = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"[shift]
    read = read_udi(f"{whole[:-1]}{other}", YEAR)
    assert (read.identifier is not None) == (other == whole[-1])


def test_a_space_as_check_character_is_printed_as_an_underscore() -> None:
    # hibcc.org/m43/terms.htm: an underscore stands for a check character that is a space.
    whole = next(_checked(f"+A999{n}0") for n in range(1000) if _checked(f"+A999{n}0").endswith(" "))
    for text in (whole, f"{whole[:-1]}_", f"*{whole[:-1]}_*"):
        read = read_udi(text, YEAR)
        assert (read.identifier, read.printed) == (whole[1:-1], f"{whole[:-1]}_")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("balloon from the second drawer", "form"),
        ("00812345678902", "check-digit"),
        ("(17)270131(10)A", "no-identifier"),
        ("(01)00812345678901(17)270230", "date"),
        ("(01)00812345678901(10)A(10)B", "repeats"),
        ("=/A9999XYZ100T0944=%6200", "structure"),
        ("=,000025", "no-identifier"),
        ("=/A9999XYZ100T0944=>014400", "date"),
        ("+lower", "form"),
    ],
)
def test_what_cannot_be_relied_on_is_a_doubt(text: str, code: str) -> None:
    read = read_udi(text, YEAR)
    assert [doubt.code for doubt in read.doubts] == [code]
    assert read.printed == text


@given(st.text(max_size=60) | st.text("+=()&,/$0123456789ABCD\x1d ]*", max_size=60))
def test_no_text_is_an_error_and_what_is_printed_has_no_control_characters(text: str) -> None:
    read = read_udi(text, YEAR)
    assert not any(ord(letter) < 0x20 for letter in read.printed)
    if read.identifier is not None:
        assert read.agency is not None
        carried = as_printed(read.agency, read.identifier)
        assert carried is not None
        assert read_udi(carried, YEAR).identifier == read.identifier


def _checked(text: str) -> str:
    return f"{text}{check_character(text)}"
