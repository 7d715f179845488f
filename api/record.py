"""Opening the files of a service: the record, and the site's code map."""

import logging
from pathlib import Path

from sqlalchemy.engine import make_url

from fhirmod.errors import NotFoundError
from fhirmod.intake import Intake
from fhirmod.mapping import SiteCodes
from fhirmod.store import Access, Store, open_store

LOG = logging.getLogger(__name__)


def is_address(db: Path | str) -> bool:
    """Return whether this names a database server, not a file."""
    return "://" in str(db)


def place_of(db: Path | str) -> str:
    """Return where the record lies, as it may be said: without a password."""
    return make_url(str(db)).render_as_string(hide_password=True) if is_address(db) else str(Path(db).resolve())


def open_record(db: Path | str) -> Store:
    """Return the store in this file, its folder made if need be, or at this address.

    Errors: NotFoundError if the folder cannot be made; as `open_store` otherwise.
    """
    if is_address(db):
        return open_store(str(db))
    folder = Path(db).parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise NotFoundError(
            f"The folder {folder} cannot be made ({wrong.strerror}); name a file that can be written with --db."
        ) from None
    return open_store(f"sqlite:///{db}")


def renew(intake: Intake, access: Access) -> None:
    """Return once every resource is found by what this software finds it by; after an upgrade that may take minutes."""
    if intake.index_waits(access):
        LOG.warning("The record was written by an earlier version; its search index is made anew before it is used.")
        intake.reindex(access)
        LOG.warning("The search index is made.")


def read_code_map(path: Path) -> SiteCodes:
    """Return the code map in this file.

    Errors: NotFoundError if it cannot be read; as `SiteCodes.read` if it cannot be used.
    """
    try:
        return SiteCodes.read(path.read_bytes())
    except OSError:
        raise NotFoundError(f"The code map {path} cannot be read; name a CSV file or a ConceptMap in JSON.") from None
