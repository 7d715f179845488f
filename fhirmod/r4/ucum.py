"""Whether a text is a unit of UCUM (case-sensitive form), by its grammar and its table of atoms.

Source: The Unified Code for Units of Measure, version 2.2 (June 2024), https://ucum.org/ucum; a test holds these
        tables against ucum-essence.xml. An atom missing here gives a warning, never a refusal.
"""

import re
from fractions import Fraction
from functools import lru_cache

_PREFIXES = "Ki Mi Gi Ti da Y Z E P T G M k h d c m u n p f a z y".split()  # noqa: SIM905 - a table
_METRIC = frozenset(
    """
    m s g rad K C cd mol sr Hz N Pa J W A V F Ohm S Wb Cel T H lm lx Bq Gy Sv l L ar t bar u eV pc gf Ky Gal dyn
    erg P Bi St Mx G Oe Gb sb Lmb ph Ci R RAD REM kat U [iU] [IU] eq osm g% Np B B[SPL] B[V] B[mV] B[uV]
    B[10.nV] B[W] B[kW] bit By Bd st tex m[H2O] m[Hg] cal_[15] cal_[20] cal_m cal_IT cal_th cal mho [c] [h] [k]
    [eps_0] [mu_0] [e] [m_e] [m_p] [G] [g] [ly]
    """.split()  # noqa: SIM905
)
_PLAIN = frozenset(
    """
    10* 10^ [pi] % [ppth] [ppm] [ppb] [pptr] gon deg ' '' min h d a_t a_j a_g a wk mo_s mo_j mo_g mo AU atm
    [lbf_av] [in_i] [ft_i] [yd_i] [mi_i] [fth_i] [nmi_i] [kn_i] [sin_i] [sft_i] [syd_i] [cin_i] [cft_i] [cyd_i]
    [bf_i] [cr_i] [mil_i] [cml_i] [hd_i] [ft_us] [yd_us] [in_us] [rd_us] [ch_us] [lk_us] [rch_us] [rlk_us]
    [fth_us] [fur_us] [mi_us] [acr_us] [srd_us] [smi_us] [sct] [twp] [mil_us] [in_br] [ft_br] [rd_br] [ch_br]
    [lk_br] [fth_br] [pc_br] [yd_br] [mi_br] [nmi_br] [kn_br] [acr_br] [gal_us] [bbl_us] [qt_us] [pt_us]
    [gil_us] [foz_us] [fdr_us] [min_us] [crd_us] [bu_us] [gal_wi] [pk_us] [dqt_us] [dpt_us] [tbs_us] [tsp_us]
    [cup_us] [foz_m] [cup_m] [tsp_m] [tbs_m] [gal_br] [pk_br] [bu_br] [qt_br] [pt_br] [gil_br] [foz_br]
    [fdr_br] [min_br] [gr] [lb_av] [oz_av] [dr_av] [scwt_av] [lcwt_av] [ston_av] [lton_av] [stone_av] [pwt_tr]
    [oz_tr] [lb_tr] [sc_ap] [dr_ap] [oz_ap] [lb_ap] [oz_m] [lne] [pnt] [pca] [pnt_pr] [pca_pr] [pied] [pouce]
    [ligne] [didot] [cicero] [degF] [degR] [degRe] [Cal] [Btu_39] [Btu_59] [Btu_60] [Btu_m] [Btu_IT] [Btu_th]
    [Btu] [HP] [in_i'H2O] [in_i'Hg] [PRU] [wood'U] [diop] [p'diop] %[slope] [mesh_i] [Ch] [drp] [hnsf'U] [MET]
    [hp'_X] [hp'_C] [hp'_M] [hp'_Q] [hp_X] [hp_C] [hp_M] [hp_Q] [kp_X] [kp_C] [kp_M] [kp_Q] [pH] [S] [HPF]
    [LPF] [car_m] [car_Au] [smoot] [psi] circ sph [BAU] [AU] [PNU] [Lf] [CFU] [FFU] [PFU] [IR] [Amb'a'1'U]
    [CCID_50] [TCID_50] [EID_50] [FEU] [D'ag'U] [knk'U] [mclg'U] [tb'U] [todd'U] [dye'U] [smgy'U] [bdsk'U]
    [beth'U] [APL'U] [GPL'U] [MPL'U] [ELU] [EU] [arb'U] [USP'U] [NTU] [FNU] [den] bit_s
    [m/s2/Hz^(1/2)] Ao b att [ka'U] [anti'Xa'U]
    """.split()  # noqa: SIM905
)
_UNITS = _METRIC | _PLAIN | {prefix + atom for prefix in _PREFIXES for atom in _METRIC}

_NUMBER = re.compile(r"[1-9][0-9]*|0")
_EXPONENT = re.compile(r"^(.*?[^0-9+-])([+-]?[0-9]+)?$")
_TEN = re.compile(r"^(10[*^])([+-]?[0-9]+)?$")


@lru_cache(maxsize=1024)
def is_ucum(text: str) -> bool:
    """Return whether a text is a UCUM unit.

    >>> [is_ucum(unit) for unit in ("mm[Hg]", "mL/h", "10*3/uL", "{score}", "/min", "mmHg", "ml ", "")]
    [True, True, True, True, True, False, False, False]
    """
    if not text or not text.isascii() or " " in text:
        return False
    position, whole = _term(text.removeprefix("/"), 0)
    return whole and position == len(text.removeprefix("/"))


_TIME = frozenset("s min h d wk mo mo_s mo_j mo_g a a_t a_j a_g".split())  # noqa: SIM905
_LENGTH = frozenset(
    "m AU pc [ly] [in_i] [ft_i] [yd_i] [mi_i] [fth_i] [nmi_i] [mil_i] [hd_i] [ft_us] [yd_us] [in_us] [mi_us]".split()  # noqa: SIM905
)


def _of(text: str, units: frozenset[str]) -> bool:
    return text in units or any(
        text.startswith(prefix) and text[len(prefix) :] in units & _METRIC for prefix in _PREFIXES
    )


def is_time_unit(text: str) -> bool:
    """Return whether a text is a UCUM unit of time.

    >>> [is_time_unit(unit) for unit in ("h", "ms", "a", "m", "mh")]
    [True, True, True, False, False]
    """
    return _of(text, _TIME)


def is_length_unit(text: str) -> bool:
    """Return whether a text is a UCUM unit of length.

    >>> [is_length_unit(unit) for unit in ("km", "[mi_i]", "kg")]
    [True, True, False]
    """
    return _of(text, _LENGTH)


_TENS = {
    **{prefix: 24 - 3 * place for place, prefix in enumerate(("Y", "Z", "E", "P", "T", "G", "M", "k"))},
    "h": 2,
    "da": 1,
    "d": -1,
    "c": -2,
    **{prefix: -3 - 3 * place for place, prefix in enumerate(("m", "u", "n", "p", "f", "a", "z", "y"))},
}
_SECONDS = {"min": 60, "h": 3600, "d": 86400, "wk": 604800}


@lru_cache(maxsize=1024)
def scale(text: str) -> tuple[Fraction, tuple[str, ...]] | None:
    """Return how many of its bare units a unit is, and those; None if it has more than prefixes and times.

    >>> scale("mg/dL"), scale("min"), scale("[degF]/(h)")
    ((Fraction(1, 100), ('/L', 'g')), (Fraction(60, 1), ('s',)), None)
    """
    factor = Fraction(1)
    bare = []
    for over, unit in re.findall(r"(^/?|[./])([^./]*)", text):
        found = _bare(unit)
        if found is None:
            return None
        factor = factor / found[0] if over == "/" else factor * found[0]
        bare.append(("/" if over == "/" else "") + found[1])
    return factor, tuple(sorted(bare))


def _bare(unit: str) -> tuple[Fraction, str] | None:
    if unit in _SECONDS:
        return Fraction(_SECONDS[unit]), "s"
    if unit in _METRIC or unit in _PLAIN:
        return Fraction(1), _LITRE.get(unit, unit)
    for prefix, tens in _TENS.items():
        if unit.startswith(prefix) and unit[len(prefix) :] in _METRIC and unit in _UNITS:
            atom = unit[len(prefix) :]
            return Fraction(10) ** tens, _LITRE.get(atom, atom)
    return None


_LITRE = {"l": "L"}


def _term(text: str, position: int) -> tuple[int, bool]:
    """Read components joined by . and /, up to the end or a closing bracket."""
    while True:
        position, whole = _component(text, position)
        if not whole:
            return position, False
        if position < len(text) and text[position] in "./":
            position += 1
            continue
        return position, True


def _component(text: str, position: int) -> tuple[int, bool]:
    if position < len(text) and text[position] == "(":
        position, whole = _term(text, position + 1)
        if not whole or text[position : position + 1] != ")":
            return position, False
        return _annotation(text, position + 1), True
    begin = position
    depth = 0
    while position < len(text):
        letter = text[position]
        if letter == "[":
            depth += 1
        elif letter == "]":
            depth -= 1
        elif depth == 0 and letter in "./(){":
            break
        position += 1
    unit = text[begin:position]
    after = _annotation(text, position)
    if unit == "":
        return after, after > position
    return after, _simple(unit)


def _annotation(text: str, position: int) -> int:
    if text[position : position + 1] != "{":
        return position
    end = text.find("}", position)
    return end + 1 if end > 0 else position


def _simple(unit: str) -> bool:
    if _NUMBER.fullmatch(unit) or unit in _UNITS or _TEN.match(unit):
        return True
    found = _EXPONENT.match(unit)
    return found is not None and found[1] in _UNITS
