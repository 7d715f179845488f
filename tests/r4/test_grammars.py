"""Units, media types, language tags and dates, by the standards that define them."""

import pytest

from fhirmod.r4.dates import is_date, is_date_time, is_instant, span, surely_after
from fhirmod.r4.grammars import is_language, is_mime
from fhirmod.r4.ucum import is_ucum


# Units of http://hl7.org/fhir/R4/valueset-ucum-common.html and the UCUM specification's own examples.
@pytest.mark.parametrize(
    "unit",
    ["%", "%{vol}", "/100{WBCs}", "/[HPF]", "/min", "10*12/L", "10*3/uL", "10*-6", "[degF]", "[in_i]", "[lb_av]",
     "[pH]", "[iU]/L", "{INR}", "{score}", "a", "Cel", "cm", "cm[H2O]", "d", "dB", "g/dL", "h", "kPa", "kat/kg", "kg/m2",
     "L/min", "m/s2", "mL/min/{1.73_m2}", "meq/L", "mm[Hg]", "mmol/L", "mo", "mosm/kg", "mU/L", "ng/mL/h", "[oz_av]",
     "uL", "ug/kg/min", "umol/min/g", "wk", "1", "10^3", "g.m-2", "kg.m/s2", "m2", "(8.h)", "U/g{Hb}", "[ppm]",
     "ukat/L", "pg", "fL", "[foz_us]", "mg/d", "L/s", "J/L", "rad", "deg", "'", "''", "/(12.h)", "[arb'U]/mL"],
)  # fmt: skip
def test_units_of_ucum_are_units(unit: str) -> None:
    assert is_ucum(unit)


@pytest.mark.parametrize(
    "unit",
    ["mmHg", "ML/H", "cc", "bpm", "beats/min", "degC", "sec", "hr", "kgs", "mcg", "IU", "mL/", "", " mL", "mL ", "m//s",
     "(mL", "mL)", "{open", "kmin", "10**3", "m^2"],
)  # fmt: skip
def test_what_is_not_ucum_is_none(unit: str) -> None:
    # `ML/H` is a megalitre per henry: UCUM is case-sensitive but cannot know what was meant
    assert is_ucum(unit) == (unit == "ML/H")


# RFC 5646, appendix A
@pytest.mark.parametrize(
    "tag",
    ["de", "fr", "i-enochian", "zh-Hant", "zh-cmn-Hans-CN", "zh-yue-HK", "sr-Latn-RS", "sl-rozaj-biske", "de-CH-1901",
     "hy-Latn-IT-arevela", "es-419", "de-CH-x-phonebk", "x-whatever", "en-US-u-islamcal", "zh-CN-a-myext-x-private"],
)  # fmt: skip
def test_language_tags_of_the_standard(tag: str) -> None:
    assert is_language(tag)


@pytest.mark.parametrize("tag", ["de-419-DE", "a-DE", "english_GB", "", "e", "de-", "en--US", "de\n"])
def test_what_the_standard_calls_ill_formed(tag: str) -> None:
    assert not is_language(tag)


@pytest.mark.parametrize(
    "media",
    ["text/plain", "application/fhir+json", "text/plain; charset=utf-8", 'text/plain; a="b c"', "image/svg+xml", "json",
     "application/vnd.openxmlformats-officedocument.wordprocessingml.document"],
)  # fmt: skip
def test_media_types(media: str) -> None:
    assert is_mime(media)


@pytest.mark.parametrize(
    "media", ["pdf", "text/", "/plain", "text plain", "text/plain;", "text/plain;charset", "a/b/c"]
)
def test_what_is_no_media_type(media: str) -> None:
    assert not is_mime(media)


# The Gregorian calendar, every day of four years against the number of days it has (ISO 8601).
def test_every_day_of_a_leap_cycle_and_no_other() -> None:
    real = sum(is_date(f"{y}-{m:02}-{d:02}") for y in range(2021, 2025) for m in range(14) for d in range(33))
    assert real == 3 * 365 + 366


def test_which_form_is_which_type() -> None:
    assert [is_date(t) for t in ("2026", "2026-03", "2026-03-02", "2026-03-02T10:00:00Z")] == [
        True,
        True,
        True,
        False,
    ]
    assert is_date_time("2026-03-02T10:00:00Z")
    assert not is_instant("2026-03-02")
    assert span("2026-13") is None


@pytest.mark.parametrize(
    ("first", "second", "after"),
    [
        ("2026-03-02", "2026-03-01", True),
        ("2026-03-02", "2026-03-02", False),
        ("2026-03", "2026-03-02", False),
        ("2026-03-02", "2026-03", False),
        ("2026-03-02T10:00:00Z", "2026-03-02", False),
        ("2026-03-03T00:30:00+02:00", "2026-03-02", True),
        ("2026-03-02T10:00:00+02:00", "2026-03-02T09:00:00Z", False),
        ("2026-03-02T10:00:00Z", "2026-03-02T10:00:00+01:00", True),
        ("2026-03-02T10:00:00.10Z", "2026-03-02T10:00:00.1Z", False),
        ("2026-03-02T10:00:00.11Z", "2026-03-02T10:00:00.1Z", True),
    ],
)
def test_after_is_said_only_when_it_is_sure(first: str, second: str, after: bool) -> None:
    assert surely_after(first, second) is after
