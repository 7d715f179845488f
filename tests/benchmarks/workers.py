"""Two services on one PostgreSQL, or one of two workers, against one, at their own wish of posts: bedside entries on
eight episodes; and what a post costs where the one before it went through the other service.

The cluster is durable. Services, server and client share this machine's processors, so the processor time of each
is told beside the ratio: where two services, the server and the client want more than there is, no ratio can show
what two machines would. So the ratio is taken once more with each service held to a quarter of the time (stopped and
continued, as a small machine would be): the services are then what limits, and whether one keeps the other waiting
shows. The plain baseline is one service, held alike.
"""

import os
import signal
import statistics
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from functools import partial
from itertools import count
from pathlib import Path

from tests.postgresql import Server, binaries, cluster

from .bedside import Client, opened, serving, timed, vitals

PORTS = (18_795, 18_796, 18_797)
WAYS = {"one": PORTS[:1], "two": PORTS[:2], "workers": PORTS[2:]}
CLIENTS = 8


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    if binaries() is None:
        return [("x posts of two services to one", float("nan"), "PostgreSQL is not installed here")]
    rounds, posts = (3, 25) if short else (7, 100)
    with cluster(durable=True) as server, services(server.database()) as pids:
        episodes = {
            way: [opened(Client(ports[n % len(ports)]), 20) for n in range(CLIENTS)] for way, ports in WAYS.items()
        }
        rates: dict[str, list[float]] = {way: [] for way in WAYS}
        spent: dict[str, list[tuple[float, float]]] = {way: [] for way in WAYS}
        for turn in range(rounds + 1):
            for way, ports in WAYS.items():
                before = _seconds(pids), _seconds(_of(server))
                begun = time.perf_counter()
                with ThreadPoolExecutor(CLIENTS) as pool:
                    each = [(ports[n % len(ports)], episodes[way][n], posts) for n in range(CLIENTS)]
                    list(pool.map(_posts, *zip(*each, strict=True)))
                taken = time.perf_counter() - begun
                after = _seconds(pids), _seconds(_of(server))
                if turn:  # the first is to warm up
                    rates[way].append(CLIENTS * posts / taken)
                    spent[way].append(
                        tuple((b - a) / (CLIENTS * posts) * 1000 for a, b in zip(before, after, strict=True))  # type: ignore[arg-type]
                    )
        held = _held(pids, episodes, rounds, posts // 4)
        turns = _turns(rounds * posts // 3)
    one, two, workers = (statistics.median(rates[way]) for way in WAYS)
    service, database = (statistics.median(each) for each in zip(*spent["two"], strict=True))
    return [
        (
            "x posts of two services to one, each held to a quarter of its time",
            held["two"] / held["one"],
            f"{held['two']:,.0f}/s to {held['one']:,.0f}/s; target 1.6",
        ),
        ("x posts of two services to one, all at once here", two / one, f"{two:,.0f}/s to {one:,.0f}/s"),
        ("x posts of serve --workers 2 to one", workers / one, f"{workers:,.0f}/s, the same episodes"),
        ("ms of processor for one post in the services", service, f"of {os.cpu_count()} processors, client aside"),
        ("ms of processor for one post in the database", database, "the same posts"),
        (
            "x p50 of a post behind one of the other service, to behind its own",
            turns["two"] / turns["one"],
            f"{turns['two']:.1f} ms to {turns['one']:.1f} ms, 150 entries and more",
        ),
    ]


def _held(pids: list[int], episodes: dict[str, list[str]], rounds: int, posts: int) -> dict[str, float]:
    """Return the posts a second of one service and of two, each of which may run a quarter of the time."""
    rates: dict[str, list[float]] = {"one": [], "two": []}
    with slowed(pids):
        for _ in range(rounds):
            for way, rate in rates.items():
                ports = WAYS[way]
                begun = time.perf_counter()
                with ThreadPoolExecutor(CLIENTS) as pool:
                    each = [(ports[n % len(ports)], episodes[way][n], posts) for n in range(CLIENTS)]
                    list(pool.map(_posts, *zip(*each, strict=True)))
                rate.append(CLIENTS * posts / (time.perf_counter() - begun))
    return {way: statistics.median(rate) for way, rate in rates.items()}


@contextmanager
def slowed(pids: list[int], slice_s: float = 0.01, of: int = 4) -> Iterator[None]:
    """Let each process run one slice of time of so many, one after the other."""
    done = threading.Event()

    def rule() -> None:
        running: int | None = None
        for turn in count():
            if running is not None:
                os.kill(running, signal.SIGSTOP)
            running = pids[turn % of] if turn % of < len(pids) else None
            if running is not None:
                os.kill(running, signal.SIGCONT)
            if done.wait(slice_s):
                return

    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    ruling = threading.Thread(target=rule)
    ruling.start()
    try:
        yield
    finally:
        done.set()
        ruling.join()
        for pid in pids:
            os.kill(pid, signal.SIGCONT)


def _turns(posts: int) -> dict[str, float]:
    """Return the median ms of a post to a long episode, through the services in turn and through one."""
    clients = [Client(port) for port in WAYS["two"]]
    ways = {"one": clients[:1], "two": clients}
    episodes = {way: opened(clients[0]) for way in ways}
    spent: dict[str, list[float]] = {way: [] for way in ways}
    for number in range(posts):
        for way, taking in ways.items():
            path = f"/episodes/{episodes[way]}/entries?distinct=true"
            post = partial(taking[number % len(taking)].post, path, vitals(number))
            spent[way].append(timed(post) * 1000)
    return {way: statistics.median(each) for way, each in spent.items()}


@contextmanager
def services(url: str) -> Iterator[list[int]]:
    """Run a service on each of the ports, the last with two workers; give the process ids of the others."""
    with ExitStack() as stack:
        pids = []
        for port in PORTS:
            command = [sys.executable, "-m", "fhirmod.cli", "serve", "--port", str(port), "--database", url]
            if port in WAYS["workers"]:
                command += ["--workers", "2"]
            process, _ = stack.enter_context(serving(command, port))
            if port not in WAYS["workers"]:
                pids.append(process.pid)
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
