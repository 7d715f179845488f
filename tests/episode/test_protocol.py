import hashlib
from decimal import Decimal
from importlib import resources
from pathlib import Path

import pytest

from fhirmod.episode import Protocol
from fhirmod.errors import InvalidError

HEAD = b'id = "ward 7"\nversion = "3"\nsource = "our labour ward protocol, section 4"\n'


def test_every_default_threshold_has_a_source_and_a_unit() -> None:
    protocol = Protocol.default()
    for threshold in (*protocol.thresholds.values(), *protocol.shock_index, *protocol.fill_buttons_ml):
        assert threshold.source.citation
        assert threshold.unit


def test_the_hash_is_that_of_the_text() -> None:
    text = resources.files("fhirmod.episode").joinpath("protocol.toml").read_bytes()
    assert Protocol.default().hash == hashlib.sha256(text).hexdigest()
    assert Protocol.read(HEAD).hash == hashlib.sha256(HEAD).hexdigest()


def test_a_site_changes_what_it_names_and_cites_itself() -> None:
    protocol = Protocol.read(HEAD + b"[watch]\ntolerance_min = 10\n[reconciliation]\ntolerance_ml = 20\n")
    assert protocol.of("watch.tolerance_min").value == 10
    assert protocol.of("watch.tolerance_min").source.citation == "our labour ward protocol, section 4"
    assert protocol.of("dwell.latest_h").value == 24
    assert protocol.reconciliation_ml is not None
    assert protocol.reconciliation_ml.value == 20
    assert Protocol.default().reconciliation_ml is None


def test_a_site_may_widen_the_watch_by_time_since_the_last_fill() -> None:
    table = b"[watch.every_min]\nsince_fill = [{ from_min = 0, every_min = 15 }, { from_min = 120, every_min = 30 }]\n"
    protocol = Protocol.read(HEAD + table)
    assert [f"{step.start.value} {step.every.value}" for step in protocol.since_fill] == ["0 15", "120 30"]


def test_a_site_may_let_out_a_fraction() -> None:
    assert Protocol.read(HEAD + b"[trial]\nstep_fraction = 0.5\n").of("trial.step_fraction").value == Decimal("0.5")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"\xff", "must be TOML in UTF-8"),
        (b"id =", "must be TOML in UTF-8"),
        (b'version = "1"', 'needs id = "..."'),
        (b'id = "a"\nversion = 1', 'needs version = "..."'),
        (HEAD + b"[watch]\ntolerence_min = 5", "did you mean watch.tolerance_min?"),
        (HEAD + b"watch = 5", "has no parameter watch"),
        (HEAD + b'[watch]\ntolerance_min = "five"', "watch.tolerance_min must be a number in min; got 'five'"),
        (HEAD + b"[watch]\ntolerance_min = true", "must be a number in min; got True"),
        (HEAD + b"[watch]\ntolerance_min = -1", "must be a number above 0 in min; got -1"),
        (HEAD + b"[watch]\ntolerance_min = nan", "must be a number above 0"),
        (HEAD + b"[watch.every_min]\ntrial = 0", "must be a number above 0"),
        (HEAD + b"[watch.every_min]\nsince_fill = [{ from_min = 5, every_min = 15 }]", "must begin at from_min = 0"),
        (HEAD + b"[watch.every_min]\nsince_fill = 15", "must be a list of { from_min, every_min }"),
        (HEAD + b"[dwell]\nearliest_h = 30", "dwell.earliest_h must not be above dwell.latest_h; got 30 and 24"),
        (HEAD + b'[reconciliation]\ntolerance_ml = "some"', "must be none; got 'some'"),
        (HEAD + b'[label]\npolicy = "forbid"', "must be warn or off; got 'forbid'"),
        (HEAD + b'[loss]\nschemes = ["mine"]', "must list some of"),
        (HEAD + b'[watch]\ntolerance_min = { value = 5, unit = "min" }', "takes value and source; got unit too"),
        (HEAD + b"[trial]\nstep_fraction = 2", "must be between 0 and 1"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_refused_with_one_sentence(text: bytes, says: str) -> None:
    with pytest.raises(InvalidError) as refused:
        Protocol.read(text)
    assert says in str(refused.value)
    assert len(refused.value.findings) == 1


def test_the_example_of_a_site_is_read() -> None:
    protocol = Protocol.read(Path(__file__).with_name("site-protocol.toml").read_bytes())
    assert [step.every.value for step in protocol.since_fill] == [15, 30, 60]
    assert protocol.since_fill[1].every.source.citation == "labour ward protocol 12, signed 2026-01-15"
