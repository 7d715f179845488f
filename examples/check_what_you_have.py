"""Check entries and FHIR resources before you send them: ``python examples/check_what_you_have.py [FILE ...]``.

Without a file it checks two that are wrong on purpose. Nothing is stored; the same findings come from `fhirmod check`.
"""

import sys
from pathlib import Path

from fhirmod.exchange import check_text

WRONG = {
    "an entry": b'{"kind": "fill", "id": "0b51e7a4-6a0c-4c5e-9b1a-7d3f52c80003", "at": "02:52", "volume": 50}',
    "a resource": b'{"resourceType": "Observation", "status": "finished", "code": {"text": "x"}, "valueInteger": 8.5}',
}


def main(files: list[str]) -> int:
    texts = {name: Path(name).read_bytes() for name in files} or WRONG
    refused = 0
    for name, text in texts.items():
        for finding in check_text(text):
            refused += finding.refuses
            print(f"{name} {finding.place}: {finding.severity}: {finding.sentence}")
    print(refused, "findings refuse")
    return int(refused > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
