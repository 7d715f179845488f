"""What a service that asks for tokens says of itself, which pages may ask it, and when it does not start at all.

Source: http://hl7.org/fhir/R4/capabilitystatement.html (rest.security), OpenAPI 3.1.0 (security requirement object),
the Fetch standard's CORS protocol.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from schemathesis.specs.openapi import definitions

from api import Settings, create_app
from api.fhir import INTERACTIONS
from api.openapi import document
from api.routes import ROUTES
from fhirmod.episode import Protocol
from fhirmod.errors import NotSupportedError
from fhirmod.intake import Intake
from fhirmod.store import open_store

from .issuer import AUDIENCE, ISSUER, Hands, asking_tokens, bearer, token
from .walked import refused, valid

NAMED: dict[str, Any] = {"issuer": ISSUER, "audience": AUDIENCE, "keys": "jwks.json"}
WARD = "https://ward.example.org"
PREFLIGHT = {"access-control-request-method": "GET", "access-control-request-headers": "authorization"}


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "record.example.org"])
def test_beyond_this_machine_it_starts_with_tokens_only(host: str, tmp_path: Path) -> None:
    with pytest.raises(NotSupportedError, match=r"without authentication .* name --issuer, --audience and --keys"):
        Settings(host=host).refuse_open_door()
    Settings(host=host, **NAMED).refuse_open_door()
    with asking_tokens(tmp_path, host=host) as (client, _):
        assert client.get("/fhir/Patient").status_code == 401


@pytest.mark.parametrize("missing", NAMED)
@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0"])
@pytest.mark.parametrize("empty", [None, ""])
def test_a_part_of_what_tokens_are_checked_by_is_not_enough(missing: str, host: str, empty: str | None) -> None:
    with pytest.raises(NotSupportedError, match=f"together; --{missing} is missing"):
        Settings(host=host, **(NAMED | {missing: empty})).refuse_open_door()


@pytest.mark.parametrize("host", ["127.0.0.1", "127.1.2.3", "::1", "localhost"])
def test_on_this_machine_no_token_is_asked_for_unless_told(host: str) -> None:
    assert not Settings(host=host).asks_tokens
    Settings(host=host).refuse_open_door()


def test_without_the_libraries_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "api.keys", None)
    with open_store(f"sqlite:///{tmp_path / 'record.db'}") as store:
        intake = Intake(store, Protocol.default())
        with pytest.raises(NotSupportedError, match=r"install fhirmod\[tokens\]"):
            create_app(Settings(**NAMED), intake, Hands().clock())


@pytest.mark.parametrize(
    ("host", "origins", "asked", "allowed"),
    [
        ("127.0.0.1", None, WARD, "*"),
        ("0.0.0.0", None, WARD, None),
        ("0.0.0.0", (WARD,), WARD, WARD),
        ("0.0.0.0", (WARD,), "https://elsewhere.example.org", None),
        ("0.0.0.0", (WARD,), f"{WARD}.evil.example.org", None),
        ("127.0.0.1", (WARD,), "https://elsewhere.example.org", None),
    ],
)
def test_beyond_this_machine_pages_ask_only_from_a_named_origin(
    tmp_path: Path, host: str, origins: Any, asked: str, allowed: str | None
) -> None:
    with asking_tokens(tmp_path, host=host, origins=origins) as (client, _):
        before = client.options("/fhir/Patient", headers=PREFLIGHT | {"origin": asked})
        assert (before.status_code == 200) == (allowed is not None)
        if allowed is not None:
            assert "authorization" in before.headers["access-control-allow-headers"].lower()
        for by in ({}, bearer(token())):
            answer = client.get("/fhir/Patient", headers=by | {"origin": asked})
            assert answer.status_code == (200 if by else 401)
            assert answer.headers.get("access-control-allow-origin") == allowed
            assert "access-control-allow-credentials" not in answer.headers
        said = valid(client.get("/fhir/metadata"))["rest"][0]["security"]
        assert said["cors"] == (bool(origins) or host == "127.0.0.1")


def test_the_statement_says_what_is_asked_of_a_caller_and_only_then(tmp_path: Path) -> None:
    with asking_tokens(tmp_path) as (client, _):
        said = valid(client.get("/fhir/metadata"))["rest"][0]["security"]
        [[coding]] = [one["coding"] for one in said["service"]]
        assert coding["system"] == "http://terminology.hl7.org/CodeSystem/restful-security-service"
        assert coding["code"] == "OAuth"
        assert "outside the patient compartment" in said["description"]
        assert client.get("/.well-known/smart-configuration").status_code == 404
        assert client.get("/fhir/.well-known/smart-configuration", headers=bearer(token())).status_code == 404


def test_openapi_says_of_each_operation_which_scopes_it_needs(tmp_path: Path) -> None:
    with asking_tokens(tmp_path) as (client, _):
        said = client.get("/openapi.json").json()
    schema = {**definitions.OPENAPI_31, "$schema": "https://json-schema.org/draft/2020-12/schema"}
    assert list(Draft202012Validator(schema).iter_errors(said)) == []
    [scheme] = said["components"]["securitySchemes"]
    wanted = {f"fhir-{one.name}": one.scope != "open" for one in INTERACTIONS}
    wanted |= {one.name: one.scope != "open" for one in ROUTES}
    found = {
        one["operationId"]: one["security"]
        for methods in said["paths"].values()
        for one in methods.values()
    }  # fmt: skip
    for name, security in found.items():
        assert [list(one) for one in security] == ([[scheme]] if wanted[name] else [])
    assert found["fhir-read"] == [{scheme: ["system/{type}.r"]}]
    assert found["fhir-conditional-update"] == [{scheme: ["system/{type}.u", "system/{type}.s"]}]
    assert found["fhir-history-system"] == [{scheme: ["system/*.s"]}]
    assert found["append-entries"] == [{scheme: ["bedside.write"]}]
    plain = json.dumps(document())
    assert "security" not in plain
    assert "bearer" not in plain.lower()


def test_who_looks_for_a_smart_configuration_is_told_that_there_is_none_and_why(tmp_path: Path) -> None:
    """SMART App Launch 2, conformance (read as reprinted: token_endpoint is required, and it is asked for without a token)."""
    with asking_tokens(tmp_path) as (client, _):
        for by in ({}, bearer("garbage"), bearer(token())):
            answer = client.get("/fhir/.well-known/smart-configuration", headers=by)
            refused(answer, 404, "not-supported", "must name the issuer's token endpoint")
        [rest] = valid(client.get("/fhir/metadata"))["rest"]
        assert "there is no .well-known/smart-configuration" in rest["security"]["description"]
        said = str(rest["security"])
        assert ISSUER not in said  # nothing is told that only the issuer may change
        assert "SMART-on-FHIR" not in said
