"""Opening the files of a service: the record, and the site's code map."""

from pathlib import Path

from fhirmod.errors import NotFoundError
from fhirmod.mapping import SiteCodes
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


def read_code_map(path: Path) -> SiteCodes:
    """Return the code map in this file.

    Errors: NotFoundError if it cannot be read; as `SiteCodes.read` if it cannot be used.
    """
    try:
        return SiteCodes.read(path.read_bytes())
    except OSError:
        raise NotFoundError(f"The code map {path} cannot be read; name a CSV file or a ConceptMap in JSON.") from None
