"""An issuer of tokens with real keys, made anew for each run, and the service that asks for its tokens."""

import base64
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any
from uuid import UUID

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from jwt.algorithms import get_default_algorithms
from starlette.testclient import TestClient

from api import Settings, create_app
from api.clock import Clock
from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.store import open_store

ISSUER, AUDIENCE = "https://issuer.example.org", "https://record.example.org/fhir"
NOW = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp())
EVERYTHING = "system/*.cruds bedside.read bedside.write"
PRIVATE: dict[str, Any] = {
    "RS256": rsa.generate_private_key(65537, 2048),
    "RS384": rsa.generate_private_key(65537, 2048),
    "PS256": rsa.generate_private_key(65537, 2048),
    "ES256": ec.generate_private_key(ec.SECP256R1()),
    "ES384": ec.generate_private_key(ec.SECP384R1()),
    "EdDSA": ed25519.Ed25519PrivateKey.generate(),
}


def public(algorithm: str, kid: str, private: Any = None, **more: Any) -> dict[str, Any]:
    """Return the public half of a key as a JSON Web Key."""
    key = (private or PRIVATE[algorithm]).public_key()
    found: dict[str, Any] = get_default_algorithms()[algorithm].to_jwk(key, as_dict=True)
    return {key: value for key, value in found.items() if key != "key_ops"} | {"kid": kid, **more}


JWKS = {"keys": [public(algorithm, f"k-{algorithm}", use="sig") for algorithm in PRIVATE]}


def claims(scope: str = EVERYTHING, **more: Any) -> dict[str, Any]:
    """Return the claims of a good token; what is given as None is left out."""
    good = {"iss": ISSUER, "aud": AUDIENCE, "sub": "ehr-1", "exp": NOW + 300, "iat": NOW, "scope": scope}
    return {name: value for name, value in (good | more).items() if value is not None}


def token(
    scope: str = EVERYTHING, algorithm: str = "ES256", *, headers: Any = None, key: Any = None, **more: Any
) -> str:
    """Return a signed token."""
    named = {"kid": f"k-{algorithm}"} | (headers or {})
    named = {name: value for name, value in named.items() if value is not None}
    return jwt.encode(claims(scope, **more), key or PRIVATE[algorithm], algorithm, headers=named)


def bearer(text: str) -> dict[str, str]:
    return {"authorization": f"Bearer {text}"}


def packed(value: Any) -> str:
    """Return one part of a token, made by hand."""
    text = value if isinstance(value, bytes) else json.dumps(value).encode()
    return base64.urlsafe_b64encode(text).rstrip(b"=").decode()


@dataclass
class Hands:
    """The hands of the service's clock."""

    now: float = float(NOW)
    ids: Iterator[int] = field(default_factory=lambda: count(1))

    def clock(self) -> Clock:
        return Clock(
            lambda: datetime.fromtimestamp(self.now, UTC),
            lambda: str(UUID(int=next(self.ids) + (7 << 96) + (4 << 76) + (8 << 60))),
        )


@contextmanager
def asking_tokens(folder: Path, keys: Any = None, **more: Any) -> Iterator[tuple[TestClient, Hands]]:
    """Serve a record to whoever brings a token of the issuer; `keys` is a key set, or the address of one."""
    where = keys
    if not isinstance(keys, str):
        (folder / "jwks.json").write_text(json.dumps(keys or JWKS))
        where = str(folder / "jwks.json")
    hands = Hands()
    settings = Settings(issuer=ISSUER, audience=AUDIENCE, keys=where, max_body_bytes=200_000, **more)
    with open_store(f"sqlite:///{folder / 'record.db'}") as store:
        app = create_app(settings, Intake(store, Protocol.default()), hands.clock())
        with TestClient(app, raise_server_exceptions=False) as client:
            yield client, hands
