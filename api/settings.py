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
           the map that the record has). `issuer`, `audience` and `keys` (a JWKS file or its address) go together: with
           them every request but /health, /openapi.json and /fhir/metadata brings a token. `origins` are the sites
           whose pages may ask; None is every one on this machine, and none beyond it. `lease_s` is after how long a
           job whose worker is not heard of is another's. `workers` is the number of processes behind the one port.
    """

    host: str = "127.0.0.1"
    port: int = 8000
    db: Path | str = "fhirmod-data/fhirmod.db"
    base_url: str | None = None
    protocol: Path | None = None
    facilities: tuple[str, ...] = ()
    code_map: Path | None = None
    issuer: str | None = None
    audience: str | None = None
    keys: str | None = None
    origins: tuple[str, ...] | None = None
    max_body_bytes: int = 16_000_000
    page: int = 50
    most_per_page: int = 500
    most_per_queue: int = 2_000
    most_per_bundle: int = 2_000
    most_at_once: int = 500
    look_for_jobs_s: float = 5
    lease_s: float = 60
    workers: int = 1

    @property
    def asks_tokens(self) -> bool:
        """Return whether callers must say who they are."""
        return bool(self.issuer and self.audience and self.keys)

    @property
    def beyond(self) -> bool:
        """Return whether other machines can reach the service."""
        try:
            return self.host != "localhost" and not ip_address(self.host).is_loopback
        except ValueError:
            return True

    @property
    def open_to(self) -> tuple[str, ...]:
        """Return the origins whose pages may ask; ``*`` is any."""
        if self.origins is not None:
            return self.origins
        return () if self.beyond else ("*",)

    def refuse_workers_on_a_file(self) -> None:
        """Return nothing if there is one worker, or a database server for several.

        Errors: NotSupportedError.
        """
        if self.workers > 1 and not str(self.db).startswith("postgresql"):
            raise NotSupportedError(
                f"The service was asked for {self.workers} workers on a SQLite file, which takes one write at a time; "
                "name --database postgresql://user@host/name, or leave --workers at 1."
            )

    def refuse_open_door(self) -> None:
        """Return nothing if the service listens on this machine only, or asks for tokens.

        Errors: NotSupportedError beyond loopback without tokens, or if what tokens are checked by is named in part.
        """
        named = {"--issuer": self.issuer, "--audience": self.audience, "--keys": self.keys}
        lacking = [name for name, value in named.items() if not value]
        if 0 < len(lacking) < len(named):
            raise NotSupportedError(
                f"Tokens are checked by --issuer, --audience and --keys together; {' and '.join(lacking)} is missing."
            )
        if lacking and self.beyond:
            raise NotSupportedError(
                f"The service was asked to listen on {self.host}; without authentication it listens on this machine "
                "only: name --issuer, --audience and --keys of the tokens to ask for, or use 127.0.0.1."
            )
