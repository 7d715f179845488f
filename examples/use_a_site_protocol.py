"""Judge one case by two protocols, the default and a site's own: ``python examples/use_a_site_protocol.py``.

`site_protocol.toml` says only what differs. The record is the same; what is due, and whether a difference of volumes is
more than the site tolerates, is not. Every verdict names the parameter it follows.
"""

from datetime import datetime
from pathlib import Path

from fhirmod.episode import Episode, Protocol, Received, read_entry
from fhirmod.r4 import parse
from fhirmod.validation import assessed

HERE = Path(__file__).parent
CASE = HERE / "cases" / "straightforward" / "entries.json"
AT = datetime.fromisoformat("2026-03-01T12:30:00+01:00")


def main() -> None:
    told = parse(CASE.read_bytes())
    entries = [read_entry({"kind": "opening"} | told["opening"]), *map(read_entry, told["entries"])]
    episode = Episode("example").adding(Received(one, AT) for one in entries)
    for protocol in (Protocol.default(), Protocol.read((HERE / "site_protocol.toml").read_bytes())):
        shown = assessed(episode, as_of=AT, protocol=protocol)
        cavity = shown.balloons[0].cavity.reconciliation
        print(f"{protocol.id} {protocol.version}: in minus out {cavity.difference_ml} mL, {cavity.verdict.word}")
        print(f"  first two hours covered: {shown.watch.stretches[0].covered_percent} %")


if __name__ == "__main__":
    main()
