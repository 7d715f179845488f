"""The contract that partners get is as the tables say, and a changed table is noticed."""

from pathlib import Path

from fhirmod.cli.publishing import FOLDER, documents, publish


def test_the_committed_contract_is_what_the_tables_say() -> None:
    assert publish(FOLDER, check=True) == []


def test_a_difference_and_a_stray_are_named_and_then_mended(tmp_path: Path) -> None:
    everything = sorted(path for path, _ in documents())
    assert publish(tmp_path, check=True) == everything
    assert publish(tmp_path, check=False) == everything
    (tmp_path / "openapi.json").write_text("{}")
    (tmp_path / "stray.json").write_text("{}")
    assert publish(tmp_path, check=True) == ["openapi.json", "stray.json"]
    publish(tmp_path, check=False)
    assert publish(tmp_path, check=True) == []
