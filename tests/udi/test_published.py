"""Device identifiers that were published with their meaning, and the check digits of the agencies' own examples."""

from typing import Any

import pytest

from fhirmod.udi import Udi, read_udi
from fhirmod.udi.gs1 import check_digit
from fhirmod.udi.hibc import check_character

YEAR = 2026

# FDA: "UDI formats by FDA-accredited issuing agency", version 1.3 of January 2017, its plain-text examples (read as
# reprinted at scribd.com/document/514166454 and, for HIBCC and ICCBBA, in HL7 Version 2's text on the UDI).
FDA_2017 = {
    "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234": {
        "agency": "gs1",
        "identifier": "51022222233336",
        "manufactured": "2014-12-31",
        "expires": "2015-07-07",
        "lot": "A213B1",
        "serial": "1234",
    },
    "+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ4567890123 45678/16D20130202C": {
        "agency": "hibcc",
        "identifier": "H123PARTNO1234567890120",
        "expires": "2020-02-02",
        "lot": "LOT123456789012345",
        "serial": "XYZ4567890123 45678",
        "manufactured": "2013-02-02",
    },
    "=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123": {
        "agency": "iccbba",
        "identifier": "A9999XYZ100T0944",
        "serial": "000025",
        "donation": "A99971312345600",
        "expires": "2014-02-01",
        "manufactured": "2013-02-01",
        "lot": "000000000000XYZ123",
    },
    "=)1TE123456A&)RZ12345678": {"agency": "iccbba-blood", "identifier": "1TE123456A", "lot": "RZ12345678"},
}

# ANSI/HIBC 2.6 (2016), examples of sections 2 and 4, with the check characters printed there (read as reprinted in the
# tests of zint and of a public decoder); lot, dates and serial follow from the standard's table of forms.
HIBC_2016 = {
    "+A99912345/$$52001510X33": {"identifier": "A99912345", "expires": "2020-01-15", "lot": "10X3"},
    "+A99912345/$$52001510X3/16D20111212/S77DEFG457": {
        "identifier": "A99912345",
        "expires": "2020-01-15",
        "lot": "10X3",
        "manufactured": "2011-12-12",
        "serial": "77DEFG45",
    },
    "+A99912345/$10X3/16D20111231/14D202001313": {
        "identifier": "A99912345",
        "lot": "10X3",
        "manufactured": "2011-12-31",
        "expires": "2020-01-31",
    },
    "+A99912349/$10X3/16D20111231/14D20200131/Q500Z": {
        "identifier": "A99912349",
        "lot": "10X3",
        "manufactured": "2011-12-31",
        "expires": "2020-01-31",
    },
    "*+J123AQ3451/$$3231231BC34567/S4012R*": {
        "identifier": "J123AQ3451",
        "expires": "2023-12-31",
        "lot": "BC34567",
        "serial": "4012",
    },
    "+A123BJC5D6E71G": {"identifier": "A123BJC5D6E71"},
}

# Each date form of secondary data: OpenText IDOL, Eduction Grammars 25.4, documentation of the device grammar
# (May 15, 2019, where it has a day; check characters as printed there).
OPENTEXT = {
    "+X999123ABC0/$$05191234AB/S5678EDFG/16D20151001A": "2019-05",
    "+X999123ABC0/$$20515191234AB/S5678EDFG/16D20151001I": "2019-05-15",
    "+X999123ABC0/$$31905151234AB/S5678EDFG/16D20151001J": "2019-05-15",
    "+X999123ABC0/$$4190515211234AB/S5678EDFG/16D20151001N": "2019-05-15",
    "+X999123ABC0/$$5191351234AB/S5678EDFG/16D20151001J": "2019-05-15",
    "+X999123ABC0/$$619135211234AB/S5678EDFG/16D20151001N": "2019-05-15",
    "+X999123ABC0/$1234AB/S5678EDFG/16D20151001/14D20190515.": "2019-05-15",
}


def said(udi: Udi) -> dict[str, Any]:
    names = ("identifier", "lot", "serial", "expires", "manufactured", "donation")
    return {name: getattr(udi, name) for name in names if getattr(udi, name) is not None}


@pytest.mark.parametrize(("text", "meaning"), FDA_2017.items())
def test_the_examples_of_the_fda_are_read(text: str, meaning: dict[str, str]) -> None:
    read = read_udi(text, YEAR)
    assert {"agency": read.agency} | said(read) == meaning
    assert read.doubts == ()
    assert read.printed == text


@pytest.mark.parametrize(("text", "meaning"), HIBC_2016.items())
def test_the_examples_of_the_hibc_standard_are_read(text: str, meaning: dict[str, str]) -> None:
    read = read_udi(text, YEAR)
    assert (read.agency, said(read), read.doubts) == ("hibcc", meaning, ())


@pytest.mark.parametrize(("text", "expiry"), OPENTEXT.items())
def test_every_date_form_of_hibc_is_read(text: str, expiry: str) -> None:
    read = read_udi(text, YEAR)
    assert (read.identifier, read.lot, read.serial) == ("X999123ABC0", "1234AB", "5678EDFG")
    assert (read.expires, read.manufactured, read.doubts) == (expiry, "2015-10-01", ())


def test_the_hibc_example_copied_without_its_space_fails_its_own_check() -> None:
    # The FDA's example above as it is widely copied, the space of its serial number lost.
    copied = "+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C"
    read = read_udi(copied, YEAR)
    assert said(read) == {}
    assert [doubt.code for doubt in read.doubts] == ["check-character"]
    assert "check character C where its characters give H" in read.doubts[0].says


def test_secondary_data_alone_gives_lot_and_expiry_but_no_device() -> None:
    # A label in a public decoder's tests: month and year, lot, link and check character.
    read = read_udi("+$$02231162074ZA", YEAR)
    assert said(read) == {"expires": "2023-02", "lot": "1162074"}
    assert [doubt.code for doubt in read.doubts] == ["no-identifier"]


def test_a_label_that_does_not_keep_the_form_its_flag_names_gives_neither_date_nor_lot() -> None:
    # A label in the same tests: its check character is right, but after $$2 stands day, month, year (25 10 21),
    # where the standard has month, day, year: month 51.
    read = read_udi("+$$25102173960231W", YEAR)
    assert said(read) == {}
    assert [doubt.code for doubt in read.doubts] == ["date", "no-identifier"]


def test_the_us_core_example_is_read() -> None:
    # HL7 US Core at 85bf4af6, Device-infusion-pump: its UDI beside deviceIdentifier, lotNumber and manufactureDate.
    read = read_udi("(01)00812345678901(11)240115(10)LOT789XYZ(21)IP2000-123456", YEAR)
    assert read.identifier == "00812345678901"
    assert (read.lot, read.serial, read.manufactured) == ("LOT789XYZ", "IP2000-123456", "2024-01-15")


def test_a_trade_item_number_with_a_wrong_digit_names_no_device_and_its_lot_stands() -> None:
    # The number of HL7 US Core's Device-defib, which fails its own check digit.
    read = read_udi("(01)99863313444316(10)AB12", YEAR)
    assert said(read) == {"lot": "AB12"}
    assert [doubt.code for doubt in read.doubts] == ["check-digit"]


@pytest.mark.parametrize(
    ("digits", "digit"),
    [
        ("730001100001", "7"),  # GS1 Sweden, "Så beräknas kontrollsiffran": sum 23, next ten 30
        ("890400021003", "7"),  # GS1 India, "How to calculate the Check Digit": 63 + 7 = 70
        ("0081234567890", "1"),  # HL7 US Core, as above
        ("950110153100", "0"),  # a sum that is a multiple of ten gives 0 (biip, gs1_standard_check_digit)
    ],
)
def test_gs1_check_digits_are_those_published(digits: str, digit: str) -> None:
    assert check_digit(digits) == digit


def test_hibc_check_characters_are_those_of_the_standard() -> None:
    # ANSI/HIBC: sum of values of +A123BJC5D6E71 is 145, remainder 16, character G (Zebra DS9908 manual, page 335).
    assert check_character("+A123BJC5D6E71") == "G"
    assert check_character("lower") is None
