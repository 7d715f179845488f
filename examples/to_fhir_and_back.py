"""Turn a case into FHIR R4 and back, and show that nothing changed: ``python examples/to_fhir_and_back.py``.

Each entry becomes resources; the lens reads them again. Digits stay as they were written (7.9 is not 7.90).
"""

from pathlib import Path

from fhirmod.episode import read_entry
from fhirmod.mapping import Context, Lens, Stored, images
from fhirmod.r4 import check, dump, parse

CASE = Path(__file__).parent / "cases" / "arrived-with-a-balloon" / "entries.json"
CONTEXT = Context("Patient/p1", "Procedure/anchor", "Encounter/e1")


def main() -> None:
    told = parse(CASE.read_bytes())
    lens = Lens()
    made = 0
    for document in told["entries"]:
        entry = read_entry(document)
        resources = [one.body for one in images(entry, CONTEXT, root=entry.id)]
        texts = [dump(one) for one in resources]
        assert not [finding for text in texts for finding in check(parse(text)) if finding.refuses]
        batch = [
            Stored(one["resourceType"], one["id"], 1, str(entry.recorded_at), parse(dump(one))) for one in resources
        ]
        lens.fold(batch)
        made += len(batch)
    back = [item.entry.document() for item in lens.received]
    sent = [read_entry(document).document() for document in told["entries"]]
    print(len(sent), "entries,", made, "FHIR resources,", len(lens.unread), "unread")
    print("the same" if list(map(dump, back)) == list(map(dump, sent)) else "not the same")


if __name__ == "__main__":
    main()
