"""Running the service: the file opened, the port taken, the parts joined, garbage frozen, uvicorn in front."""

import gc
import os
import socket
import sys

import uvicorn

from fhirmod.episode import KINDS, Protocol
from fhirmod.errors import NotFoundError, NotSupportedError
from fhirmod.exchange import CAUTIONS
from fhirmod.intake import Intake, Request
from fhirmod.store import Access

from .app import create_app
from .clock import wall_clock
from .jobs import Runner
from .record import open_record, place_of, read_code_map
from .settings import Settings

_PLAIN = "This is plain HTTP, and a token can be read on its way: put a proxy that speaks TLS in front."


def run(settings: Settings) -> None:
    """Return when the service was told to stop and has answered what it had taken.

    Errors: NotSupportedError if it is to listen beyond this machine without tokens, its port is taken, or its file is
            of newer software; NotFoundError if its site protocol, its code map, its key set or the folder of its file
            is not there to use; InvalidError if the code map or the key set cannot be used; ConflictError if the record
            was read with another code map.
    """
    settings.refuse_open_door()
    protocol = _protocol(settings)
    codes = None if settings.code_map is None else read_code_map(settings.code_map)
    with open_record(settings.db) as store, _listening(settings.host, settings.port) as door:
        clock, intake = wall_clock(), Intake(store, protocol, settings.facilities)
        if codes is not None:
            intake.use_code_map(Request(Access.whole("service"), clock.now(), clock.new_id), codes)
        app = create_app(settings, intake, clock)
        host = f"[{settings.host}]" if ":" in settings.host else settings.host
        say = f"fhirmod: http://{host}:{door.getsockname()[1]} - the record lies in {place_of(settings.db)}"
        plain = (_PLAIN,) if settings.beyond else ()
        print(say, *CAUTIONS[:2], *plain, sep="\n", file=sys.stderr, flush=True)
        config = uvicorn.Config(app, log_level="warning", access_log=False, server_header=False)
        config.load()
        for kind in KINDS.values():
            kind.model_rebuild()  # put off until first used; threads that serve share them whole
        gc.collect()
        gc.freeze()
        with Runner(settings, intake, clock):
            uvicorn.Server(config).run(sockets=[door])


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
