"""The issuer's keys: which count, where they come from, and when they are asked for anew.

Source: RFC 7517, 4 and 5 (keys and sets), RFC 7518, 3 (sizes). How often is asked is our own choice; no published source.
"""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, rsa

from api.keys import Keys
from api.scopes import Caller
from api.tokens import Tokens
from fhirmod.errors import InvalidError, NotFoundError, NotSupportedError, UnavailableError

from .issuer import AUDIENCE, EVERYTHING, ISSUER, JWKS, Hands, asking_tokens, bearer, public, token

WEAK = rsa.generate_private_key(65537, 1024)


@dataclass
class Published:
    """What an issuer's server answers, and how often it was asked."""

    body: bytes = json.dumps(JWKS).encode()
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    delay_s: float = 0
    asked: int = 0


@dataclass
class Watch:
    """A clock that counts seconds, set by hand."""

    s: float = 0.0

    def __call__(self) -> float:
        return self.s


@contextmanager
def publishing(published: Published) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            published.asked += 1
            time.sleep(published.delay_s)
            self.send_response(published.status)
            for name, value in published.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(published.body)))
            self.end_headers()
            self.wfile.write(published.body)

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/jwks.json"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def caller(keys: Keys, text: str) -> Caller:
    return Tokens(ISSUER, AUDIENCE, keys, Hands().clock().now).caller([f"Bearer {text}"])


def test_keys_at_an_address_are_asked_for_once_and_anew_for_a_new_key_but_not_for_each() -> None:
    rotated = ec.generate_private_key(ec.SECP256R1())
    watch = Watch()
    published = Published()
    with publishing(published) as address:
        keys = Keys(address, seconds=watch)
        assert published.asked == 0, "a service starts while its issuer does not answer"
        for _ in range(3):
            assert caller(keys, token()).who == "ehr-1"
        assert published.asked == 1
        published.body = json.dumps({"keys": [public("ES256", "new", rotated)]}).encode()
        new = token(headers={"kid": "new"}, key=rotated)
        for watch.s in (1.0, 30.0, 59.0):
            assert keys.of("new", "ES256") is None, "an unknown key makes us ask once a minute at most"
        assert published.asked == 1
        watch.s = 60.0
        assert caller(keys, new).who == "ehr-1"
        assert published.asked == 2
        assert keys.of("k-ES256", "ES256") is None, "a key that is published no more is used no more"
        watch.s = 60.0 + 3600
        assert caller(keys, new).who == "ehr-1"
        assert published.asked == 3, "keys of an hour are asked for anew"


def test_known_keys_stay_in_use_while_the_issuer_does_not_answer() -> None:
    watch = Watch()
    published = Published()
    with publishing(published) as address:
        keys = Keys(address, seconds=watch)
        assert keys.of("k-ES256", "ES256") is not None
        published.status = 500
        for watch.s in (4000.0, 4010.0, 4059.0):
            assert keys.of("k-ES256", "ES256") is not None
        assert published.asked == 2, "asked in vain, it is asked again after a minute"
        watch.s = 4060.0
        assert keys.of("k-ES256", "ES256") is not None
        assert published.asked == 3


@pytest.mark.parametrize(
    "published",
    [
        Published(status=500),
        Published(status=302, headers={"Location": "/elsewhere.json"}),
        Published(body=b"<html>"),
        Published(body=b'{"keys": {}}'),
        Published(body=b"[" * 100_000),
        Published(body=b'{"keys": [' + b"{}," * 100_000 + b"{}]}"),
    ],
    ids=["error", "redirect", "no JSON", "no list", "too deep", "too large"],
)
def test_a_key_set_that_cannot_be_had_is_said_and_asked_for_again(published: Published) -> None:
    watch = Watch()
    with publishing(published) as address:
        keys = Keys(address, seconds=watch)
        for watch.s in (0.0, 1.0, 4.9):
            with pytest.raises(UnavailableError, match="keys that tokens are checked with cannot be read now"):
                keys.of("k-ES256", "ES256")
        assert published.asked == 1
        published.status, published.body = 200, Published().body
        watch.s = 5.0
        assert keys.of("k-ES256", "ES256") is not None


def test_while_one_asks_for_keys_the_others_go_on_with_those_they_have() -> None:
    published = Published()
    with publishing(published) as address:
        watch = Watch()
        keys = Keys(address, seconds=watch)
        assert keys.of("k-ES256", "ES256") is not None
        published.delay_s, watch.s = 1.0, 100.0
        slow = threading.Thread(target=keys.of, args=("unknown", "ES256"))
        slow.start()
        time.sleep(0.2)
        begun = time.perf_counter()
        assert keys.of("k-ES256", "ES256") is not None
        assert keys.of("unknown", "ES256") is None
        assert time.perf_counter() - begun < 0.5
        slow.join()


def test_without_keys_the_service_says_that_it_cannot_judge(tmp_path: Path) -> None:
    with (
        publishing(Published(status=503)) as address,
        asking_tokens(tmp_path, address) as (client, _),
    ):
        answer = client.get("/fhir/Patient", headers=bearer(token()))
        assert (answer.status_code, answer.json()["issue"][0]["code"]) == (503, "transient")
        assert client.get("/health").status_code == 200
    with publishing(Published()) as address:
        (tmp_path / "well").mkdir()
        with asking_tokens(tmp_path / "well", address) as (client, _):
            assert client.get("/fhir/Patient", headers=bearer(token())).status_code == 200


@pytest.mark.parametrize(
    ("source", "error", "says"),
    [
        ("http://issuer.example.org/jwks.json", NotSupportedError, "must be https"),
        ("ftp://127.0.0.1/jwks.json", NotSupportedError, "must be https"),
        ("file:///etc/passwd", NotSupportedError, "must be https"),
        ("https:///jwks.json", NotSupportedError, "must be https"),
        ("no-such-file.json", NotFoundError, "cannot be read; name a JWKS file"),
    ],
)
def test_keys_come_from_a_file_or_a_safe_address(source: str, error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        Keys(source)


def test_a_file_that_is_no_key_set_is_refused_at_once_and_one_that_changes_is_read_again(tmp_path: Path) -> None:
    file = tmp_path / "jwks.json"
    file.write_text("{}")
    with pytest.raises(InvalidError, match='JSON object with a list "keys"'):
        Keys(str(file))
    watch = Watch()
    file.write_text(json.dumps({"keys": []}))
    keys = Keys(str(file), seconds=watch)
    file.write_text(json.dumps(JWKS))
    assert keys.of("k-ES256", "ES256") is None
    watch.s = 60.0
    assert keys.of("k-ES256", "ES256") is not None
    assert caller(keys, token(EVERYTHING)).may(("c", "Patient"))


def test_a_key_shorter_than_its_standard_asks_is_none(tmp_path: Path) -> None:
    """RFC 7518, 3.3: a key of size 2048 bits or larger MUST be used with these algorithms."""
    file = tmp_path / "jwks.json"
    file.write_text(json.dumps({"keys": [public("RS256", "weak", WEAK), public("RS256", "k-RS256")]}))
    assert Keys(str(file)).of("weak", "RS256") is None
    assert Keys(str(file)).of("k-RS256", "RS256") is not None
