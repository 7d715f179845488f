"""Opening the file that the record lies in."""

from pathlib import Path

from fhirmod.errors import NotFoundError
from fhirmod.store import Store, open_store


def open_record(db: Path) -> Store:
    """Return the store in this file, its folder made if need be.

    Errors: NotFoundError if the folder cannot be made; as `open_store` otherwise.
    """
    try:
        db.parent.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise NotFoundError(
            f"The folder {db.parent} cannot be made ({wrong.strerror}); name a file that can be written with --db."
        ) from None
    return open_store(f"sqlite:///{db}")
