"""Running the service: the file opened, the parts joined, garbage frozen, uvicorn in front."""

import gc
import sys

import uvicorn

from fhirmod.episode import Protocol
from fhirmod.errors import NotFoundError
from fhirmod.exchange import CAUTIONS
from fhirmod.intake import Intake
from fhirmod.store import open_store

from .app import create_app
from .clock import wall_clock
from .settings import Settings


def _protocol(settings: Settings) -> Protocol:
    if settings.protocol is None:
        return Protocol.default()
    try:
        return Protocol.read(settings.protocol.read_bytes())
    except OSError:
        raise NotFoundError(f"The site protocol {settings.protocol} cannot be read; name a TOML file.") from None


def run(settings: Settings) -> None:
    """Return when the service was told to stop and has answered what it had taken.

    Errors: NotSupportedError if it is to listen beyond this machine, or its file is of newer software.
    """
    settings.db.parent.mkdir(parents=True, exist_ok=True)
    with open_store(f"sqlite:///{settings.db}") as store:
        app = create_app(settings, Intake(store, _protocol(settings)), wall_clock())
        say = f"fhirmod: http://{settings.host}:{settings.port} - the record lies in {settings.db.resolve()}"
        print(say, *CAUTIONS[:2], sep="\n", file=sys.stderr, flush=True)
        gc.collect()
        gc.freeze()
        uvicorn.run(app, host=settings.host, port=settings.port, log_level="warning", access_log=False)
