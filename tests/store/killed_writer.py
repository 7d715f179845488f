"""A program that writes until it is killed: `python -m tests.store.killed_writer URL`.

It loads once and forks a child for each line it is sent: the child opens the store, four threads write, and
every write that was answered is told on the standard output, one line "answered <name>" in one write call.
"""

import os
import sys
import threading

from fhirmod.store import EntryRow, Put, Store, Writer, open_store

from .rows import ALL, NOW

PARTS = 3


def puts(name: str) -> list[Put]:
    """Return the resources of one write: three new ones and a sum that every write renews."""
    token, found_by = (("entry", "", name),), (("entry", name, "", 0.0, 0.0),)
    return [
        Put("Observation", f"{name}.{part}", "asserted", "POST", body(name, part), token, (), "e1", values=found_by)
        for part in range(PARTS)
    ] + [Put("Observation", "sum", "derived", "PUT", b"sum", (), (), "e1")]


def body(name: str, part: int) -> bytes:
    """Return a body of some pages, so that a torn write would show."""
    return f"{name}.{part} ".encode() * 400


def write_one(store: Store, name: str) -> None:
    """Return once everything of this name is on disk."""

    def work(w: Writer) -> None:
        w.lock(ALL, "e1")
        version = w.bump(ALL, "e1")
        w.put(ALL, puts(name), NOW, version)
        w.log_entries(ALL, [EntryRow(name, name.encode(), NOW, "e1")])

    store.write(work)


def write_on(url: str, life: str) -> None:
    """Return never: threads write until the process ends."""
    store = open_store(url)

    def run(thread: int) -> None:
        turn = 0
        while True:
            name = f"{life}-{thread}-{turn}"
            write_one(store, name)
            os.write(1, f"answered {name}\n".encode())
            turn += 1

    threads = [threading.Thread(target=run, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def main(url: str) -> None:
    """Return when the input ends; each line is the name of a new life."""
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            write_on(url, line.strip())
        os.write(1, f"started {child}\n".encode())
        os.waitpid(child, 0)
        os.write(1, b"ended\n")


if __name__ == "__main__":
    main(sys.argv[1])
