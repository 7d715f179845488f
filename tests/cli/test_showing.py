"""What a terminal is given: words, and never a control character that a bar code reader sent."""

from fhirmod.cli.showing import timeline
from fhirmod.episode import read_entry


def test_a_scans_separators_are_shown_as_pictures() -> None:
    moment = "2026-03-01T02:00:00+01:00"
    head = {"kind": "placement", "id": "00000001-0000-4000-8000-0000000000ee", "at": moment, "recorded_at": moment}
    text = "\n".join(timeline([read_entry({**head, "udi": "]C10100812345678901" + "10A\x1d21B"})]))
    assert "\x1d" not in text
    # U+241D is Unicode's symbol for the group separator.
    assert "10A\u241d21B" in text
