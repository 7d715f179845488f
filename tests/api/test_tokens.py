"""Bearer tokens: what is taken, what is refused and how it is said, whose keys count, and when they are asked for anew.

Source: RFC 6750, 3 (challenges), RFC 7519, 4.1 (claims), RFC 7515, 4.1 (header), RFC 7517, 4 (keys), RFC 8725 (best
current practice: algorithms, keys a token brings itself, crit); rest of the negatives as SMART Backend Services has them.
"""

import base64
import hashlib
import hmac
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from .issuer import (
    AUDIENCE,
    ISSUER,
    JWKS,
    NOW,
    PRIVATE,
    asking_tokens,
    bearer,
    claims,
    packed,
    public,
    token,
)
from .walked import refused

OTHER = ec.generate_private_key(ec.SECP256R1())
PEM = (
    PRIVATE["RS256"]
    .public_key()
    .public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
)
SIDES = ("/fhir/Patient", "/episodes")


@pytest.fixture(scope="module")
def asked(tmp_path_factory: Any) -> Iterator[TestClient]:
    more = [
        public("ES256", "twice"),
        public("ES256", "twice", OTHER),
        public("ES256", "for-encryption", use="enc"),
        public("ES256", "signs-only", key_ops=["sign"]),
        public("ES256", "of-another-algorithm", alg="ES384"),
        {"kty": "oct", "k": packed(b"a secret of thirty-two characters"), "kid": "shared", "alg": "HS256"},
        "no key",
        {"kty": "EC", "crv": "P-256", "kid": "broken"},
    ]
    with asking_tokens(tmp_path_factory.mktemp("asked"), {"keys": [*JWKS["keys"], *more]}) as (client, _):
        yield client


def forged(header: dict[str, Any], signature: str = "", **more: Any) -> str:
    return f"{packed(header)}.{packed(claims(**more))}.{signature}"


def by_secret(secret: bytes, kid: str) -> str:
    """Return a token signed with a shared secret, which the library itself would not sign with a public key."""
    head = f"{packed({'alg': 'HS256', 'kid': kid})}.{packed(claims())}"
    return f"{head}.{packed(hmac.digest(secret, head.encode(), hashlib.sha256))}"


def tampered() -> str:
    head, _, signature = token("system/Patient.r").split(".")
    return f"{head}.{packed(claims())}.{signature}"


REFUSED: dict[str, tuple[str, str]] = {
    "no algorithm": (forged({"alg": "none", "kid": "k-ES256"}), "algorithm is not taken"),
    "no algorithm, in other letters": (forged({"alg": "nOnE", "kid": "k-ES256"}), "algorithm is not taken"),
    "the public key as a shared secret": (by_secret(PEM, "k-RS256"), "algorithm is not taken"),
    "a shared secret of the set": (by_secret(b"a secret of thirty-two characters", "shared"), "algorithm is not taken"),
    "another's key under a known kid": (token(key=OTHER), "signature does not fit"),
    "an unknown kid": (token(headers={"kid": "k-none"}), "no single key"),
    "two keys of one kid": (token(headers={"kid": "twice"}), "no single key"),
    "a key for encryption": (token(headers={"kid": "for-encryption"}), "no single key"),
    "a key that does not verify": (token(headers={"kid": "signs-only"}), "no single key"),
    "a key of another algorithm": (token(headers={"kid": "of-another-algorithm"}), "no single key"),
    "a key of another kind": (token(headers={"kid": "k-RS256"}), "no single key"),
    "a key that is none": (token(headers={"kid": "broken"}), "no single key"),
    "no kid, where several keys fit": (token(headers={"kid": None}), "no single key"),
    "a key it brings itself": (token(headers={"jwk": public("ES256", "mine", OTHER)}, key=OTHER), "does not fit"),
    "an address of keys it brings itself": (
        token(headers={"jku": "https://evil.example.org/jwks", "x5u": "https://evil.example.org/x"}, key=OTHER),
        "does not fit",
    ),
    "an extension that is not known": (token(headers={"crit": ["exp"], "exp": NOW}), "no signed JSON Web Token"),
    "no signature": (token().rpartition(".")[0] + ".", "does not fit"),
    "claims changed after signing": (tampered(), "does not fit"),
    "another issuer": (token(iss="https://issuer.example.com"), "another issuer"),
    "the issuer and a slash": (token(iss=f"{ISSUER}/"), "another issuer"),
    "no issuer": (token(iss=None), "lacks"),
    "another audience": (token(aud="https://other.example.org"), "another audience"),
    "a longer audience": (token(aud=f"{AUDIENCE}/"), "another audience"),
    "other audiences": (token(aud=["https://other.example.org", "fhir"]), "another audience"),
    "no audience": (token(aud=None), "lacks"),
    "no end": (token(exp=None), "lacks"),
    "an end in words": (token(exp="tomorrow"), "exp is no number"),
    "an end that is true": (token(exp=True), "exp is no number"),
    "no end at all": (token(exp=float("inf")), "exp is no number"),
    "the skew ago": (token(exp=NOW - 30), "has expired"),
    "not yet": (token(nbf=NOW + 31), "not valid yet"),
    "nbf in words": (token(nbf="now"), "not valid yet"),
    "signed in the future": (token(iat=NOW + 31), "not valid yet"),
    "nobody": (token(sub=None), "names nobody"),
    "an empty name": (token(sub=" "), "names nobody"),
    "a name with a line break": (token(sub="a\nb"), "names nobody"),
    "no token": ("garbage", "no signed JSON Web Token"),
    "five parts, as an encrypted one": ("a.b.c.d.e", "no signed JSON Web Token"),
    "a header that is no JSON": (f"{packed(b'{')}.{packed(claims())}.", "no signed JSON Web Token"),
    "a header as deep as it fits": (f"{packed(b'[' * 5000)}.e30.", "no signed JSON Web Token"),
    "a kid that is no text": (forged({"alg": "ES256", "kid": 7}), "no signed JSON Web Token"),
    "too long": (token(more="x" * 9000), "more than 8192 characters"),
}


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("why", REFUSED)
def test_a_token_that_proves_nothing_is_refused_in_words_that_carry_none_of_it(
    asked: TestClient, why: str, side: str
) -> None:
    text, says = REFUSED[why]
    answer = asked.get(side, headers=bearer(text))
    assert answer.status_code == 401, answer.text
    assert answer.headers["www-authenticate"].startswith('Bearer realm="fhirmod", error="invalid_token"')
    assert says in answer.text
    assert says in answer.headers["www-authenticate"]
    for part in (one for one in text.split(".") if len(one) > 8):
        assert part not in answer.text
        assert part not in answer.headers["www-authenticate"]
    issue = "expired" if says == "has expired" else "login"
    if side == "/episodes":
        assert answer.json()["findings"][0]["code"] == "http-401"
    else:
        refused(answer, 401, issue, says)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(
    "text",
    [
        *(pytest.param(token(algorithm=algorithm), id=algorithm) for algorithm in PRIVATE),
        pytest.param(token(algorithm="EdDSA", headers={"kid": None}), id="no kid, one key fits"),
        pytest.param(token(aud=["https://other.example.org", AUDIENCE]), id="several audiences"),
        pytest.param(token(exp=NOW - 29), id="within the skew"),
        pytest.param(token(nbf=NOW + 30, iat=NOW + 30), id="begun within the skew"),
        pytest.param(token(iat=None), id="no iat"),
        pytest.param(token(exp=NOW + 300.5), id="a fraction"),
        pytest.param(token(sub=None, client_id="ehr-1"), id="named by client_id"),
        pytest.param(token(headers={"jku": "https://evil.example.org/jwks"}), id="jku beside the right key"),
        pytest.param(token(headers={"typ": "at+jwt"}), id="RFC 9068"),
    ],
)
def test_a_good_token_is_taken(asked: TestClient, text: str, side: str) -> None:
    assert asked.get(side, headers=bearer(text)).status_code == 200
    assert asked.get(side, headers={"authorization": f"bearer {text}"}).status_code == 200


@pytest.mark.parametrize("side", SIDES)
def test_without_a_token_nothing_is_answered(asked: TestClient, side: str) -> None:
    good = token()
    for headers in (
        [],
        [("authorization", "Basic YTpi")],
        [("authorization", "Bearer ")],
        [("authorization", good)],
        [("authorization", f"Token {good}")],
        [("authorization", f"Bearer {good}"), ("authorization", f"Bearer {good}")],
    ):
        answer = asked.get(f"{side}?access_token={good}", headers=headers)
        assert answer.status_code == 401, answer.text
        assert answer.headers["www-authenticate"] == 'Bearer realm="fhirmod"', "RFC 6750, 3.1: no error code then"
        assert good not in answer.text
        assert "needs a token" in answer.text


def test_what_says_what_the_service_is_needs_no_token(asked: TestClient) -> None:
    for address in ("/health", "/fhir/metadata", "/openapi.json"):
        for headers in ({}, bearer("garbage")):
            assert asked.get(address, headers=headers).status_code == 200


def test_the_token_is_good_until_its_end_by_the_services_clock(tmp_path: Path) -> None:
    with asking_tokens(tmp_path) as (client, hands):
        text = token(exp=NOW + 60)
        for later, status in ((0, 200), (89.9, 200), (90, 401), (10_000, 401)):
            hands.now = NOW + later
            assert client.get("/fhir/Patient", headers=bearer(text)).status_code == status


def test_a_service_that_asks_for_no_token_loads_nothing_that_checks_one() -> None:
    loads = "import sys, api.app, api.serving; assert not {'jwt', 'cryptography', 'api.tokens'} & set(sys.modules)"
    assert subprocess.run([sys.executable, "-c", loads], check=False).returncode == 0


@st.composite
def spoilt(draw: st.DrawFn) -> str:
    """Draw a good token with some characters exchanged, put in or taken out."""
    text = list(draw(st.sampled_from([token(algorithm=algorithm) for algorithm in ("RS256", "ES256", "EdDSA")])))
    for _ in range(draw(st.integers(1, 3))):
        place = draw(st.integers(0, len(text) - 1))
        text[place : place + draw(st.integers(0, 2))] = draw(st.text(_LETTERS, max_size=3))
    return "".join(text)


_LETTERS = "".join(map(chr, range(33, 127)))


@settings(max_examples=150, deadline=None)
@given(text=st.one_of(spoilt(), st.text(_LETTERS, min_size=1, max_size=60)))
def test_a_spoilt_token_is_refused_unless_it_says_the_same_bytes(asked: TestClient, text: str) -> None:
    answer = asked.get("/fhir/Patient", headers=bearer(text))
    if answer.status_code == 200:
        good = [[_bytes(part) for part in token(algorithm=name).split(".")[:2]] for name in ("RS256", "ES256", "EdDSA")]
        assert [_bytes(part) for part in text.split(".")[:2]] in good
    else:
        assert (answer.status_code, answer.json()["issue"][0]["code"]) == (401, "login")


def _bytes(part: str) -> bytes:
    return base64.urlsafe_b64decode(part + "=" * (-len(part) % 4))
