"""A service that other machines can reach: a real process on every address, tokens of a real key, a client from elsewhere."""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import httpx2
import pytest
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import AuthorizationError, ForbiddenError

from tests.api.issuer import AUDIENCE, ISSUER, JWKS, token

from .service import running

WOMAN = {"resourceType": "Patient", "identifier": [{"system": "urn:x", "value": "1"}]}


def beyond() -> str:
    """Return an address of this machine that is not loopback, or where there is none another than the usual one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(("192.0.2.1", 9))  # sends nothing: only the way out is asked for
        except OSError:
            return "127.0.0.2" if sys.platform == "linux" else "127.0.0.1"
        return str(way.getsockname()[0])


def test_a_client_from_elsewhere_comes_in_with_a_token_and_with_its_scopes_only(tmp_path: Path) -> None:
    (tmp_path / "jwks.json").write_text(json.dumps(JWKS))
    good = {"exp": 4_000_000_000, "iat": 1_700_000_000}  # by the wall clock of the process
    writer = {"authorization": f"Bearer {token('system/Patient.crs bedside.write', 'RS256', **good)}"}
    reader = {"authorization": f"Bearer {token('user/*.rs', 'EdDSA', **good)}"}
    old = {"authorization": f"Bearer {token('system/*.cruds', exp=1_700_000_000)}"}
    options = ("--host", "0.0.0.0", "--issuer", ISSUER, "--audience", AUDIENCE, "--keys", str(tmp_path / "jwks.json"))
    with (
        running(tmp_path / "record.db", *options) as service,
        httpx2.Client(base_url=f"http://{beyond()}:{service.port}", timeout=20, trust_env=False) as client,
    ):
        assert client.get("/health").status_code == 200
        assert client.get("/fhir/metadata").json()["rest"][0]["security"]["service"]
        assert [client.get(path).status_code for path in ("/fhir/Patient", "/episodes", "/fhir/_history")] == [401] * 3
        assert client.post("/fhir/Patient", json=WOMAN, headers=old).status_code == 401
        made = client.post("/fhir/Patient", json=WOMAN, headers=writer)
        assert made.status_code == 201
        assert client.post("/fhir/Patient", json=WOMAN, headers=reader).status_code == 403
        found = client.get("/fhir/Patient?identifier=urn:x|1", headers=reader).json()
        assert [one["resource"]["id"] for one in found["entry"]] == [made.json()["id"]]
        assert client.get("/episodes", headers=reader).status_code == 403
        opened = client.post("/episodes", json={"facility": {"id": "c"}, "at": "2026-03-01T02:00:00Z"}, headers=writer)
        assert opened.status_code == 201


def test_a_client_that_knows_nothing_of_us_comes_in_by_its_own_header(tmp_path: Path) -> None:
    (tmp_path / "jwks.json").write_text(json.dumps(JWKS))
    options = ("--issuer", ISSUER, "--audience", AUDIENCE, "--keys", str(tmp_path / "jwks.json"))
    with running(tmp_path / "record.db", *options) as service:
        base = f"http://127.0.0.1:{service.port}/fhir"
        good = token("system/Patient.cruds system/Observation.s", exp=4_000_000_000, iat=None)
        client = SyncFHIRClient(base, authorization=f"Bearer {good}")
        made = client.resource("Patient", **{name: value for name, value in WOMAN.items() if name != "resourceType"})
        made.save()
        assert client.resources("Patient").search(identifier="urn:x|1").get().id == made.id
        assert client.resources("Observation").search(patient=made.id).fetch_all() == []
        for refused in (
            lambda: client.resources("Encounter").fetch_all(),
            lambda: client.resource("Observation", status="final", code={"text": "x"}).save(),
            lambda: SyncFHIRClient(base).resources("Patient").fetch_all(),
        ):
            with pytest.raises((AuthorizationError, ForbiddenError), match=r"scope system/|needs a token"):
                refused()


def test_the_invented_cases_are_loaded_into_such_a_service_with_a_token_from_the_environment(tmp_path: Path) -> None:
    (tmp_path / "jwks.json").write_text(json.dumps(JWKS))
    options = ("--issuer", ISSUER, "--audience", AUDIENCE, "--keys", str(tmp_path / "jwks.json"))
    good = token("system/*.cu system/*.s bedside.write", exp=4_000_000_000, iat=None)
    with running(tmp_path / "record.db", *options) as service:
        command = [sys.executable, "-m", "fhirmod.cli", "demo", "--to", f"http://127.0.0.1:{service.port}"]
        told = dict(os.environ)
        done = subprocess.run(command, env=told, capture_output=True, text=True, check=False, timeout=60)
        assert (done.returncode, done.stderr.count("\n")) == (1, 1)
        assert "The service answered 401 to POST /episodes: This needs a token" in done.stderr
        told["FHIRMOD_TOKEN"] = good
        done = subprocess.run(command, env=told, capture_output=True, text=True, check=False, timeout=60)
        assert (done.returncode, done.stderr) == (0, "")
        assert "straightforward" in done.stdout
        assert good not in done.stdout
