"""Running the service: the file opened, the port taken, the parts joined, garbage frozen, uvicorn in front.

::

    one worker    this process: store, application, the thread of the jobs
    several       this process holds the port and starts the workers, each of which has all of these for itself
"""

import gc
import multiprocessing
import os
import signal
import socket
import sys
import threading
from collections.abc import AsyncIterator
from contextlib import ExitStack, asynccontextmanager, suppress
from functools import partial
from typing import Any

import uvicorn
from fastapi import FastAPI
from uvicorn.supervisors.multiprocess import Multiprocess, Process

from fhirmod.episode import KINDS, Protocol
from fhirmod.errors import FhirmodError, NotFoundError, NotSupportedError, UnavailableError
from fhirmod.exchange import CAUTIONS
from fhirmod.intake import Intake, Request
from fhirmod.store import Access

from .app import create_app
from .clock import wall_clock
from .jobs import Runner
from .record import open_record, place_of, read_code_map, renew
from .settings import Settings

_PLAIN = "This is plain HTTP, and a token can be read on its way: put a proxy that speaks TLS in front."
_QUIET: dict[str, Any] = {"log_level": "warning", "access_log": False, "server_header": False}
_MOST_STARTS = 4  # of workers, one after the other, before a service that nobody serves ends
_SILENT_S = 10  # after which a worker that does not even say that it lives is replaced


def run(settings: Settings) -> None:
    """Return when the service was told to stop and has answered what it had taken.

    Errors: NotSupportedError if it is to listen beyond this machine without tokens, its port is taken, its file is of
            newer software, or several workers are to share a file; NotFoundError if its site protocol, its code map,
            its key set or the folder of its file is not there to use; InvalidError if the code map or the key set
            cannot be used; ConflictError if the record was read with another code map; UnavailableError if its workers
            do not come to serve.
    """
    settings.refuse_open_door()
    settings.refuse_workers_on_a_file()
    with ExitStack() as closing, suppress(KeyboardInterrupt):
        app = joined(settings, closing)
        with _listening(settings.host, settings.port) as door:
            host = f"[{settings.host}]" if ":" in settings.host else settings.host
            say = f"fhirmod: http://{host}:{door.getsockname()[1]} - the record lies in {place_of(settings.db)}"
            plain = (_PLAIN,) if settings.beyond else ()
            print(say, *CAUTIONS[:2], *plain, sep="\n", file=sys.stderr, flush=True)
            if settings.workers == 1:
                config = uvicorn.Config(app, **_QUIET)
                config.load()
                _settled()
                uvicorn.Server(config).run(sockets=[door])
            else:
                closing.close()  # all that is needed is there, and the tables are those of this software
                _several(settings, door)


def joined(settings: Settings, closing: ExitStack) -> FastAPI:
    """Return the application of one process; while it serves, its jobs are done, and then what it opened is closed.

    Shape: `closing` closes it for whoever never lets it serve.
    """
    protocol = _protocol(settings)
    codes = None if settings.code_map is None else read_code_map(settings.code_map)
    store = closing.enter_context(open_record(settings.db))
    clock, intake = wall_clock(), Intake(store, protocol, settings.facilities)
    access = Access.whole("service")
    renew(intake, access)
    if codes is not None:
        intake.use_code_map(Request(access, clock.now(), clock.new_id), codes)

    @asynccontextmanager
    async def serving(_: FastAPI) -> AsyncIterator[None]:
        with closing, Runner(settings, intake, clock):
            yield

    return create_app(settings, intake, clock, serving)


def _settled() -> None:
    """Return nothing; what is loaded by now stays, and nobody looks for garbage in it again."""
    for kind in KINDS.values():
        kind.model_rebuild()  # put off until first used; threads that serve share them whole
    gc.collect()
    gc.freeze()


def _several(settings: Settings, door: socket.socket) -> None:
    """Return when told to stop and every worker has ended; one that ends by itself is replaced.

    Shape: the settings go to the workers through a pipe, so no password shows in a list of processes.
    """
    application = partial(_of_worker, settings)
    config = uvicorn.Config(
        application, factory=True, workers=settings.workers, timeout_worker_healthcheck=_SILENT_S, **_QUIET
    )
    workers = _Workers(config, [door])
    workers.run()
    if workers.given_up:
        raise UnavailableError(
            f"{workers.failed} workers in a row failed at their start, so the service ends; what they said "
            "stands above. Start it again when that is mended."
        )


class _Workers(Multiprocess):
    """The workers, until none serves and their starts fail so often in a row that another would fail too.

    Shape: `failed` counts those that ended before they served, since one last came to serve; `given_up` says that
           it was not a signal that ended them.
    """

    def __init__(self, config: uvicorn.Config, sockets: list[socket.socket]) -> None:
        super().__init__(config, sockets)
        self.failed, self.given_up = 0, False
        self._served: list[Process] = []

    def keep_subprocess_alive(self) -> None:
        """Replace those that have ended, whatever they ended with, and stop where that has become of no use."""
        if self.should_exit.is_set():
            return
        for place, process in enumerate(self.processes):
            if process.is_alive(self.config.timeout_worker_healthcheck):
                if process not in self._served and process.is_ready(1):
                    self.failed = 0
                    self._served.append(process)
                continue
            process.kill()  # it may hang
            process.join()
            self.failed = 0 if process in self._served else self.failed + 1
            self.processes[place] = Process(self.config, self.sockets)
            self.processes[place].start()
        self._served = [one for one in self._served if one in self.processes]
        if self.failed >= _MOST_STARTS and not self._served:
            self.given_up = True
            self.should_exit.set()


def _of_worker(settings: Settings) -> FastAPI:
    parent = multiprocessing.parent_process()
    assert parent is not None, "a worker was started by the process that holds the port"
    threading.Thread(target=_end_after, args=(parent,), name="parent", daemon=True).start()
    try:
        app = joined(settings, ExitStack())
    except FhirmodError as error:  # as when the database went away since the first process looked
        raise SystemExit(str(error)) from None
    _settled()
    return app


def _end_after(parent: Any) -> None:
    """Return once the parent is gone, however it went: nobody is left behind that holds the port."""
    parent.join()
    os.kill(os.getpid(), signal.SIGTERM)


def _protocol(settings: Settings) -> Protocol:
    if settings.protocol is None:
        return Protocol.default()
    try:
        return Protocol.read(settings.protocol.read_bytes())
    except OSError:
        raise NotFoundError(f"The site protocol {settings.protocol} cannot be read; name a TOML file.") from None


def _listening(host: str, port: int) -> socket.socket:
    """Return the socket that clients connect to; port 0 takes a free one."""
    try:
        family, *_, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        return socket.create_server(address[:2], family=family, backlog=2048)
    except OSError as wrong:
        why = os.strerror(wrong.errno) if wrong.errno is not None and wrong.errno > 0 else wrong.strerror
        raise NotSupportedError(
            f"The service cannot listen on {host}:{port} ({why}); name another port with --port."
        ) from None
