"""Two services on one PostgreSQL against one, at their own wish of posts: bedside entries on eight episodes.

The cluster is durable. Services, server and client share this machine's processors, so the processor time of each
is told beside the ratio: where two services, the server and the client want more than there is, no ratio can show
what two machines would. The plain baseline is one service; what a machine with processors to spare could reach is
bounded by the share of a post that the services themselves take.
"""

import os
import statistics
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.postgresql import Server, binaries, cluster

from .bedside import Client, opened, serving, vitals

PORTS = (18_795, 18_796)
CLIENTS = 8


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    if binaries() is None:
        return [("x posts of two services to one", float("nan"), "PostgreSQL is not installed here")]
    rounds, posts = (3, 25) if short else (7, 100)
    with cluster(durable=True) as server, services(server.database()) as pids:
        episodes = {many: [opened(Client(PORTS[n % many]), 20) for n in range(CLIENTS)] for many in (1, 2)}
        rates: dict[int, list[float]] = {1: [], 2: []}
        spent: dict[int, list[tuple[float, float]]] = {1: [], 2: []}
        for turn in range(rounds + 1):
            for many, rate in rates.items():
                before = _seconds(pids), _seconds(_of(server))
                begun = time.perf_counter()
                with ThreadPoolExecutor(CLIENTS) as pool:
                    list(
                        pool.map(lambda n, many=many: _posts(PORTS[n % many], episodes[many][n], posts), range(CLIENTS))
                    )
                taken = time.perf_counter() - begun
                after = _seconds(pids), _seconds(_of(server))
                if turn:  # the first is to warm up
                    rate.append(CLIENTS * posts / taken)
                    spent[many].append(
                        tuple((b - a) / (CLIENTS * posts) * 1000 for a, b in zip(before, after, strict=True))  # type: ignore[arg-type]
                    )
    one, two = (statistics.median(rates[many]) for many in (1, 2))
    service, database = (statistics.median(each) for each in zip(*spent[2], strict=True))
    return [
        ("x posts of two services to one, one PostgreSQL", two / one, f"{two:,.0f}/s to {one:,.0f}/s; target 1.6"),
        ("ms of processor for one post in the services", service, f"of {os.cpu_count()} processors, client aside"),
        ("ms of processor for one post in the database", database, "the same posts"),
    ]


@contextmanager
def services(url: str) -> Iterator[list[int]]:
    """Run a service on each of the ports; give their process ids."""
    with ExitStack() as stack:
        pids = []
        for port in PORTS:
            command = [sys.executable, "-m", "fhirmod.cli", "serve", "--port", str(port), "--database", url]
            pids.append(stack.enter_context(serving(command, port))[0].pid)
        yield pids


def _posts(port: int, episode: str, count: int) -> None:
    client = Client(port)
    for number in range(count):
        client.post(f"/episodes/{episode}/entries?distinct=true", vitals(number))


def _of(server: Server) -> list[int]:
    """Return the processes of a cluster: its first, and what that started."""
    first = server.process.pid
    found = [first]
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if parent == first:
            found.append(int(folder.name))
    return found


def _seconds(pids: list[int]) -> float:
    """Return the processor time that processes have had (Linux)."""
    total = 0.0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


if __name__ == "__main__":
    for what, figure, remark in run(short="--short" in sys.argv):
        print(f"{figure:10.3f}  {what}  ({remark})")
