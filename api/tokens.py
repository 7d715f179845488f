"""Bearer tokens: a JSON Web Token of the named issuer, for the named audience, signed, and not too old.

Source: RFC 6750 (Bearer), RFC 7519 (JWT), RFC 8725 (best current practice). Where a token says itself with which key
it is to be checked (jku, jwk, x5u), that is not looked at.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

import jwt
from jwt.types import Options

from .keys import ALGORITHMS, Keys
from .problems import CHALLENGE, RefusedRequest
from .scopes import Caller, granted

SKEW_S = 30  # how far the issuer's clock may be from ours
_MOST_CHARACTERS = 8_192
_MOST_SECONDS = 1e12
_OPTIONS: Options = {  # times are judged here, by the service's clock
    "require": ["exp", "iss", "aud"],
    "verify_exp": False,
    "verify_nbf": False,
    "verify_iat": False,
}


class Tokens:
    """Who a token says the caller is; one for a running service."""

    def __init__(self, issuer: str, audience: str, keys: Keys, now: Callable[[], datetime]) -> None:
        self._issuer, self._audience, self._keys, self._now = issuer, audience, keys, now

    def caller(self, authorization: Sequence[str]) -> Caller:
        """Return the caller that the Authorization headers of a request stand for; there must be one.

        Errors: RefusedRequest (401) saying what is wrong with it; UnavailableError if the keys cannot be read.
        """
        scheme, _, token = (authorization[0] if len(authorization) == 1 else "").partition(" ")
        if scheme.lower() != "bearer" or not token.strip():
            raise RefusedRequest(
                401,
                "login",
                "This needs a token, sent once as Authorization: Bearer ...; got none, or another header.",
                {"WWW-Authenticate": CHALLENGE},
            )
        claims = self._claims(token.strip())
        who = next((claims[name] for name in ("sub", "client_id", "azp") if _text(claims.get(name))), None)
        if who is None:
            raise _refused("it names nobody; wanted sub")
        scopes = claims.get("scope", "")
        if isinstance(scopes, list):
            scopes = " ".join(one for one in scopes if isinstance(one, str))
        return granted(who, scopes if isinstance(scopes, str) else "")

    def _claims(self, token: str) -> Mapping[str, Any]:
        if len(token) > _MOST_CHARACTERS:
            raise _refused(f"it has more than {_MOST_CHARACTERS} characters")
        try:
            header = jwt.get_unverified_header(token)
        except jwt.PyJWTError:
            raise _refused("it is no signed JSON Web Token that is known here") from None
        algorithm, kid = header.get("alg"), header.get("kid")
        if algorithm not in ALGORITHMS:
            raise _refused(f"its algorithm is not taken here; wanted one of {', '.join(sorted(ALGORITHMS))}")
        key = self._keys.of(kid if isinstance(kid, str) else None, algorithm)
        if key is None:
            raise _refused("no single key of the issuer fits it")
        try:
            claims: dict[str, Any] = jwt.decode(
                token,
                key,
                algorithms=[algorithm],
                audience=self._audience,
                issuer=self._issuer,
                options=_OPTIONS,
            )
        except jwt.InvalidAudienceError:
            raise _refused("it is for another audience") from None
        except jwt.InvalidIssuerError:
            raise _refused("it is of another issuer") from None
        except jwt.MissingRequiredClaimError:
            raise _refused("it lacks exp, iss or aud") from None
        except jwt.PyJWTError:
            raise _refused("its signature does not fit") from None
        self._judge_time(claims)
        return claims

    def _judge_time(self, claims: Mapping[str, Any]) -> None:
        now = self._now().timestamp()
        expires = _seconds(claims, "exp")
        if expires is None:
            raise _refused("its exp is no number of seconds")
        if expires + SKEW_S <= now:
            raise _refused("it has expired", "expired")
        for name in ("nbf", "iat"):
            begins = _seconds(claims, name)
            if name in claims and (begins is None or begins - SKEW_S > now):
                raise _refused("it is not valid yet")


def _seconds(claims: Mapping[str, Any], name: str) -> float | None:
    value = claims.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _MOST_SECONDS:
        return None
    return float(value)


def _text(value: object) -> bool:
    return isinstance(value, str) and value.isprintable() and 0 < len(value.strip()) <= 255


def _refused(why: str, issue: str = "login") -> RefusedRequest:
    header = f'{CHALLENGE}, error="invalid_token", error_description="{why}"'
    return RefusedRequest(401, issue, f"The token is not taken: {why}.", {"WWW-Authenticate": header})
