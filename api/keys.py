"""The keys of the issuer that tokens are checked with: a JSON Web Key Set in a file or at an address.

Source: RFC 7517 (JSON Web Key), RFC 7518, 3.1 (which algorithm fits which key), RFC 8725 (JWT best current practice).
"""

import http.client
import json
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from jwt import PyJWK, PyJWTError

from fhirmod.errors import InvalidError, NotFoundError, NotSupportedError, UnavailableError

_FRESH_S = 3600  # how long keys are used without asking anew
_AGAIN_S = 60  # how often, at most, an unknown key makes us ask anew
_FAILED_S = 5  # how long we wait after asking in vain, where there are no keys yet
_PATIENCE_S = 5
_MOST_BYTES = 262_144
_LEAST_RSA_BITS = 2048  # RFC 7518, 3.3
_RSA = frozenset(("RS256", "RS384", "RS512", "PS256", "PS384", "PS512"))
_CURVES = {"P-256": "ES256", "P-384": "ES384", "P-521": "ES512", "Ed25519": "EdDSA", "Ed448": "EdDSA"}
ALGORITHMS = _RSA | frozenset(_CURVES.values())  # signatures only: who can check a shared secret can also forge

Found = tuple[Mapping[str, Any], ...]


class _Stay(urllib.request.HTTPRedirectHandler):
    """Follows no redirect: the address of the keys is the one that was named."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


class Keys:
    """The issuer's signing keys, read anew when they are old or an unknown one is asked for.

    Shape:  keys that were read once stay in use where asking anew fails: an emergency does not wait for the issuer.
    Errors: NotSupportedError for an address that is neither https nor on this machine; NotFoundError for a file
            that is not there; InvalidError for one that is no key set.
    """

    def __init__(self, source: str, *, seconds: Callable[[], float] = time.monotonic) -> None:
        self._source, self._seconds, self._asking = source, seconds, threading.Lock()
        self._keys: Found | None = None
        self._next = seconds()  # when they may be asked for again, be one of them unknown
        self._old = self._next
        self._far = "://" in source
        if self._far:
            _refuse_open_address(source)
        else:
            self._keys = _read(self._file())
            self._note(_AGAIN_S, _FRESH_S)

    def of(self, kid: str | None, algorithm: str) -> PyJWK | None:
        """Return the one key that a token names and its algorithm fits, or None if there is none or several.

        Errors: UnavailableError if the keys were never read and cannot be.
        """
        found = self._fitting(kid, algorithm, self._old)
        if not found:
            found = self._fitting(kid, algorithm, self._next)
        if len(found) != 1:
            return None
        try:
            key = PyJWK(dict(found[0]), algorithm)
        except (PyJWTError, ValueError, TypeError):
            return None
        return None if key.key_type == "RSA" and key.key.key_size < _LEAST_RSA_BITS else key

    def _fitting(self, kid: str | None, algorithm: str, due: float) -> list[Mapping[str, Any]]:
        keys = self._current(due)
        return [one for one in keys if (kid is None or one.get("kid") == kid) and _fits(one, algorithm)]

    def _current(self, due: float) -> Found:
        """Return the keys, asked for anew if that is due; one asks, and whoever comes then goes on with what there is.

        Errors: UnavailableError if there are none yet and they cannot be had.
        """
        if self._keys is None or self._seconds() >= due:
            with self._asking:
                if self._seconds() >= self._next:
                    self._ask()
        if self._keys is None:
            raise UnavailableError("The keys that tokens are checked with cannot be read now; try again in a moment.")
        return self._keys

    def _ask(self) -> None:
        self._note(_FAILED_S if self._keys is None else _AGAIN_S, _AGAIN_S)
        try:
            self._keys = _read(self._fetched() if self._far else self._file())
        except (NotFoundError, InvalidError, OSError, http.client.HTTPException, ValueError):
            return
        self._note(_AGAIN_S, _FRESH_S)

    def _note(self, again_s: float, fresh_s: float) -> None:
        now = self._seconds()
        self._next, self._old = now + again_s, now + fresh_s

    def _file(self) -> bytes:
        try:
            return Path(self._source).read_bytes()
        except OSError:
            raise NotFoundError(f"The key set {self._source} cannot be read; name a JWKS file.") from None

    def _fetched(self) -> bytes:
        asked = urllib.request.Request(self._source, headers={"Accept": "application/json"})  # noqa: S310 - looked at above
        ways: list[urllib.request.BaseHandler] = [_Stay()]
        if self._source.startswith("http:"):
            ways.append(urllib.request.ProxyHandler({}))  # on this machine, past any proxy
        with urllib.request.build_opener(*ways).open(asked, timeout=_PATIENCE_S) as answer:
            body: bytes = answer.read(_MOST_BYTES + 1)
        return body


def _read(text: bytes) -> Found:
    """Return the keys of a set.

    Errors: InvalidError if it is none.
    """
    try:
        keys = json.loads(text)["keys"] if len(text) <= _MOST_BYTES else None
    except (ValueError, TypeError, KeyError, RecursionError):
        keys = None
    if not isinstance(keys, list):
        raise InvalidError('The key set must be a JSON object with a list "keys" (RFC 7517).')
    return tuple(one for one in keys if isinstance(one, dict))


def _fits(key: Mapping[str, Any], algorithm: str) -> bool:
    """Return whether a key may check a signature of this algorithm: by its kind, its use, and what it says itself."""
    if key.get("use", "sig") != "sig" or key.get("alg", algorithm) != algorithm:
        return False
    if "verify" not in key.get("key_ops", ("verify",)):
        return False
    if key.get("kty") == "RSA":
        return algorithm in _RSA
    return key.get("kty") in ("EC", "OKP") and _CURVES.get(str(key.get("crv"))) == algorithm


def _refuse_open_address(source: str) -> None:
    parts = urlsplit(source)
    if parts.scheme == "https" and parts.hostname:
        return
    if parts.scheme == "http" and _here(parts.hostname or ""):
        return
    raise NotSupportedError(f"The address of the key set must be https; got {source[:60]!r}.")


def _here(host: str) -> bool:
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False
