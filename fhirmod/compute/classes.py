"""Classes of blood loss under the published schemes, each with its scope; compared at exactly the number."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from fhirmod import sources
from fhirmod.episode import Threshold, VitalSigns
from fhirmod.sources import Source

from .why import Why, number


def _ml(name: str, value: int, source: Source) -> Threshold:
    return Threshold(name, Decimal(value), "mL", source)


WHO_PPH = _ml("who-2012.pph", 500, sources.WHO_2012)
WHO_SEVERE = _ml("who-2012.severe", 1000, sources.WHO_2012)
WHO_ACT_WITH_SIGN = _ml("who-2025.act-with-sign", 300, sources.WHO_2025)
WHO_ACT = _ml("who-2025.act", 500, sources.WHO_2025)
ACOG_PPH = _ml("acog-2017.pph", 1000, sources.ACOG_2017)
RCOG_MINOR = _ml("rcog-2016.minor", 500, sources.RCOG_GTG52)
RCOG_MODERATE = _ml("rcog-2016.moderate-above", 1000, sources.RCOG_GTG52)
RCOG_SEVERE = _ml("rcog-2016.severe-above", 2000, sources.RCOG_GTG52)
CMQCC_VAGINAL = _ml("cmqcc.stage-1-vaginal-above", 500, sources.CMQCC)
CMQCC_CAESAREAN = _ml("cmqcc.stage-1-caesarean-above", 1000, sources.CMQCC)
CMQCC_PULSE = Threshold("cmqcc.pulse-at-least", Decimal(110), "/min", sources.CMQCC)
SIGN_PULSE = Threshold("who-2025.pulse-above", Decimal(100), "/min", sources.WHO_2025)
SIGN_INDEX = Threshold("who-2025.shock-index-above", Decimal(1), "{ratio}", sources.WHO_2025)
SIGN_SYSTOLIC = Threshold("who-2025.systolic-below", Decimal(100), "mm[Hg]", sources.WHO_2025)
SIGN_DIASTOLIC = Threshold("who-2025.diastolic-below", Decimal(60), "mm[Hg]", sources.WHO_2025)
HYPOVOLAEMIA_SYSTOLIC = Threshold("acog-2017.systolic-below", Decimal(90), "mm[Hg]", sources.PRACTICE)

THRESHOLDS: tuple[Threshold, ...] = (
    WHO_PPH, WHO_SEVERE, WHO_ACT_WITH_SIGN, WHO_ACT, ACOG_PPH, RCOG_MINOR, RCOG_MODERATE, RCOG_SEVERE,
    CMQCC_VAGINAL, CMQCC_CAESAREAN, CMQCC_PULSE, SIGN_PULSE, SIGN_INDEX, SIGN_SYSTOLIC, SIGN_DIASTOLIC,
    HYPOVOLAEMIA_SYSTOLIC,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LossClass:
    """The class of a loss under one scheme.

    Units:  mL.
    Shape: `scope` says which sum was classed and from which time; `source` is the publication.
    """

    scheme: str
    word: str
    scope: str
    ml: Decimal
    source: str


def who_2012(ml: Decimal, sign: bool | None = None, *, caesarean: bool = False) -> str:
    """Return the class of a loss within 24 h of birth: none, pph (>= 500) or severe (>= 1000).

    Units:  mL.
    Source: sources.WHO_2012.
    """
    del sign, caesarean
    return "severe" if ml >= WHO_SEVERE.value else ("pph" if ml >= WHO_PPH.value else "none")


def who_2025(ml: Decimal, sign: bool | None = None, *, caesarean: bool = False) -> str:
    """Return whether the rule to act is met: 300 mL with an abnormal vital sign, otherwise 500 mL.

    Units:  mL; `sign` is None where the signs are not known.
    Source: sources.WHO_2025.
    """
    del caesarean
    if ml >= WHO_ACT.value:
        return "pph"
    if ml < WHO_ACT_WITH_SIGN.value:
        return "none"
    return Why.INCOMPLETE if sign is None else ("pph" if sign else "none")


def acog_2017(ml: Decimal, sign: bool | None = None, *, caesarean: bool = False) -> str:
    """Return the class: pph at 1000 mL, or by signs of hypovolaemia at any loss, by any route.

    Units:  mL; `sign` is None where the signs are not known.
    Source: sources.ACOG_2017.
    """
    del caesarean
    if ml >= ACOG_PPH.value:
        return "pph"
    return Why.INCOMPLETE if sign is None else ("pph-by-signs" if sign else "none")


def rcog_2016(ml: Decimal, sign: bool | None = None, *, caesarean: bool = False) -> str:
    """Return the class: minor 500-1000, moderate above 1000, severe above 2000.

    Units:  mL.
    Source: sources.RCOG_GTG52.
    """
    del sign, caesarean
    if ml > RCOG_SEVERE.value:
        return "major-severe"
    if ml > RCOG_MODERATE.value:
        return "major-moderate"
    return "minor" if ml >= RCOG_MINOR.value else "none"


def cmqcc(ml: Decimal, sign: bool | None = None, *, caesarean: bool = False) -> str:
    """Return whether stage 1 is met by volume: above 500 mL vaginal, above 1000 mL caesarean; or by signs.

    Units:  mL; `sign` is None where the signs are not known.
    Source: sources.CMQCC.
    """
    limit = CMQCC_CAESAREAN if caesarean else CMQCC_VAGINAL
    if ml > limit.value:
        return "stage-1"
    return Why.INCOMPLETE if sign is None else ("stage-1-by-signs" if sign else "none")


def abnormal_2025(signs: VitalSigns) -> bool | None:
    """Return whether one set has a sign of the 2025 rule: pulse > 100, index > 1, pressure < 100 or < 60.

    Units:  /min and mm[Hg].
    Shape:  None where what is recorded decides nothing.
    Source: sources.WHO_2025.
    """
    pulse, systolic, diastolic = _values(signs)
    tests = (
        None if pulse is None else pulse > SIGN_PULSE.value,
        None if pulse is None or not systolic else pulse > systolic * SIGN_INDEX.value,
        _low(signs, systolic, SIGN_SYSTOLIC),
        None if diastolic is None else diastolic < SIGN_DIASTOLIC.value,
    )
    return _any(tests)


def hypotensive(signs: VitalSigns) -> bool | None:
    """Return whether one set shows hypotension, the sign of hypovolaemia this software looks for.

    Units:  mm[Hg].
    Source: sources.PRACTICE (systolic below 90, or not recordable); the 2017 definition names no number.
    """
    return _low(signs, number(signs.systolic_mmhg), HYPOVOLAEMIA_SYSTOLIC)


def abnormal_cmqcc(signs: VitalSigns) -> bool | None:
    """Return whether one set has a stage-1 sign: pulse 110 or more.

    Units:  /min.
    Source: sources.CMQCC.
    """
    pulse = number(signs.pulse_per_min)
    return None if pulse is None else pulse >= CMQCC_PULSE.value


def unrecordable(signs: VitalSigns) -> bool:
    """Return whether the pressure could not be recorded (or was zero): a state of its own, not a gap.

    Units:  mm[Hg].
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    value = signs.systolic_mmhg
    if value is None:
        return False
    return value == 0 if isinstance(value, Decimal) else value.absent == "could-not-measure"


@dataclass(frozen=True, slots=True)
class Scheme:
    """One published scheme: how it classes a volume, which sign it takes beside it, where it is printed."""

    name: str
    of: Callable[..., str]
    sign: Callable[[VitalSigns], bool | None] | None
    source: Source
    primary_only: bool


SCHEMES: dict[str, Scheme] = {
    scheme.name: scheme
    for scheme in (
        Scheme("who-2012", who_2012, None, sources.WHO_2012, primary_only=True),
        Scheme("who-2025", who_2025, abnormal_2025, sources.WHO_2025, primary_only=True),
        Scheme("acog-2017", acog_2017, hypotensive, sources.ACOG_2017, primary_only=True),
        Scheme("rcog-2016", rcog_2016, None, sources.RCOG_GTG52, primary_only=True),
        Scheme("cmqcc", cmqcc, abnormal_cmqcc, sources.CMQCC, primary_only=False),
    )
}


def sign_of(scheme: Scheme, sets: list[VitalSigns]) -> bool | None:
    """Return whether any set has the scheme's sign; None if none could say."""
    return None if scheme.sign is None else _any(tuple(scheme.sign(one) for one in sets))


def _values(signs: VitalSigns) -> tuple[Decimal | None, Decimal | None, Decimal | None]:
    return number(signs.pulse_per_min), number(signs.systolic_mmhg), number(signs.diastolic_mmhg)


def _low(signs: VitalSigns, systolic: Decimal | None, below: Threshold) -> bool | None:
    if unrecordable(signs):
        return True
    return None if systolic is None else systolic < below.value


def _any(tests: tuple[bool | None, ...]) -> bool | None:
    """Return True if one is, False if at least one was looked at and none is, None if nothing says."""
    if any(tests):
        return True
    return None if all(test is None for test in tests) else False
