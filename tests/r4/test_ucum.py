"""Our grammar and tables of UCUM against its own essence, its published list of examples, and a library's parser."""

from functools import cache
from importlib.resources import files
from typing import Any, get_args
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lark.exceptions import LarkError
from ucumvert import get_ucum_parser

from fhirmod.episode import Dose, Rate
from fhirmod.r4 import ucum
from fhirmod.r4.ucum import is_ucum
from terminology import concept, keys

# ucumvert carries ucum-essence.xml (2.2, 17 June 2024) and the table of example codes published by the UCUM organization.
VENDOR = files("ucumvert") / "vendor"


@cache
def essence() -> dict[str, set[str]]:
    root = ET.fromstring((VENDOR / "ucum-essence.xml").read_bytes())
    assert root.get("version") == "2.2"
    found: dict[str, set[str]] = {"prefix": set(), "metric": set(), "plain": set()}
    for item in root:
        tag, code = item.tag.rpartition("}")[2], str(item.get("Code"))
        if tag == "prefix":
            found["prefix"].add(code)
        elif tag == "base-unit" or item.get("isMetric") == "yes":
            found["metric"].add(code)
        elif tag == "unit":
            found["plain"].add(code)
    return found


def peer(text: str) -> bool:
    """Return whether ucumvert's parser, generated from the essence, takes a text as a unit."""
    try:
        _parser().parse(text)
    except LarkError:
        return False
    return True


@cache
def _parser() -> Any:
    return get_ucum_parser()


def test_the_tables_of_atoms_are_those_of_the_essence() -> None:
    ours = {"prefix": set(ucum._PREFIXES), "metric": set(ucum._METRIC), "plain": set(ucum._PLAIN)}
    assert ours == essence()


def test_every_published_example_is_a_unit() -> None:
    lines = (VENDOR / "ucum_examples.tsv").read_text("utf-8").splitlines()[1:]
    examples = [line.split("\t")[1] for line in lines]
    assert len(examples) > 800
    # The list also names Torr, for which the essence has no atom.
    assert [text for text in examples if not is_ucum(text)] == ["Torr"]


UNITS = {unit for key in keys() if (unit := concept(key).unit) is not None}
UNITS |= {*get_args(Dose.model_fields["unit"].annotation), *get_args(Rate.model_fields["unit"].annotation)}


@pytest.mark.parametrize("unit", sorted(UNITS))
def test_every_unit_of_the_record_is_a_unit_for_the_library_too(unit: str) -> None:
    assert is_ucum(unit)
    assert peer(unit)


# UCUM functional tests (UcumFunctionalTests.xml), cases 1-162, 1-249, 1-257, 1-137, 1-102, 1-116a, 1-286, k=1=085,
# k=1=004, k=1=253; and units that circulate but are none (mmHg, mcg, IU).
@pytest.mark.parametrize(
    ("text", "valid"),
    [
        ("mm[Hg]", True),
        ("[IU]", True),
        ("Cel", True),
        ("1/min", True),
        ("m/", False),
        ("{a}rad2{b}", False),
        ("mL/12h", False),
        ("mL/(8.h)", True),
        ("mL/h", True),
        ("g/dL", True),
        ("mmHg", False),
        ("mcg", False),
        ("IU", False),
        ("mL/8h", False),
        ("[iIU]/mL", False),
    ],
)
def test_the_functional_tests_of_ucum_are_met(text: str, valid: bool) -> None:
    assert is_ucum(text) == valid


ATOMS = st.sampled_from(["m", "g", "L", "s", "[iU]", "h", "min", "[lb_av]", "%", "10*", "Cel", "mol", "[pH]", "[ft_i]"])
SIMPLE = st.builds(
    lambda prefix, atom, power, note: f"{prefix}{atom}{power}{note}",
    st.sampled_from(["", "m", "k", "u", "da", "x"]),
    ATOMS,
    st.sampled_from(["", "2", "-1", "+3"]),
    st.sampled_from(["", "{x}", "{total}"]),
)
TERMS = st.recursive(
    SIMPLE | st.sampled_from(["1", "8", "{count}"]),
    lambda inner: (
        st.builds("{}{}{}".format, inner, st.sampled_from([".", "/"]), inner) | st.builds("({})".format, inner)
    ),
    max_leaves=4,
)


@given(TERMS | TERMS.map("/{}".format))
def test_any_composed_unit_is_judged_as_by_the_library(text: str) -> None:
    assert is_ucum(text) == peer(text)
