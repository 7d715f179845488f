"""What a running service is told: where it listens, where its file lies, how much it takes."""

from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from fhirmod.errors import NotSupportedError


@dataclass(frozen=True, slots=True)
class Settings:
    """How this service runs.

    Shape: `db` is a file for SQLite, or postgresql://user@host/name. `protocol` is the site's file, standing over
           the default; `base_url` is how clients reach the service, where that differs from what requests say
           (behind a proxy); `facilities` are those that records are kept for here: custody of a woman is here while
           one of them has accepted her; `code_map` is what the local codes of received resources mean (without one,
           the map that the record has).
    """

    host: str = "127.0.0.1"
    port: int = 8000
    db: Path | str = "fhirmod-data/fhirmod.db"
    base_url: str | None = None
    protocol: Path | None = None
    facilities: tuple[str, ...] = ()
    code_map: Path | None = None
    max_body_bytes: int = 16_000_000
    page: int = 50
    most_per_page: int = 500
    most_per_queue: int = 2_000
    most_per_bundle: int = 2_000
    most_at_once: int = 500

    def refuse_open_door(self) -> None:
        """Return nothing if the service listens on this machine only.

        Errors: NotSupportedError beyond loopback, since callers are not yet authenticated.
        """
        if self.host != "localhost" and not _is_loopback(self.host):
            raise NotSupportedError(
                f"The service was asked to listen on {self.host}; without authentication it listens on this machine "
                "only: use 127.0.0.1, or put it behind a proxy that authenticates."
            )


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
