"""Whatever is sent, to any route: an answer below 500, and a record that is whole afterwards."""

import json
from typing import Any

import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from api.fhir import INTERACTIONS
from api.routes import ROUTES
from fhirmod.intake import Request
from tests.any_entry import any_entry
from tests.intake import partner
from tests.intake.case import new_id, request

FUZZ = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
JSON = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
)


def whole(client: TestClient) -> None:
    """Fail if what is stored is not what the entries say, or an accepted entry cannot be read."""
    intake = client.app.state.parts.intake  # type: ignore[attr-defined]
    assert intake.rebuild(request()) == 0
    asked: Request = request()
    for row in intake.store.read(lambda reader: reader.episodes(asked.access, limit=500)):
        assert client.get(f"/episodes/{row.id}/entries?all=true").status_code == 200
        assert client.get(f"/episodes/{row.id}/state").status_code == 200
        assert client.get(f"/episodes/{row.id}/bundle").status_code == 200


def mutated(data: st.DataObject, value: Any) -> Any:
    """Return JSON values with one place changed, dropped or added."""
    if isinstance(value, dict) and value and data.draw(st.integers(0, 3)):
        name = data.draw(st.sampled_from(sorted(value)))
        change = data.draw(st.sampled_from(["into", "into", "drop", "replace", "add"]))
        if change == "drop":
            return {key: item for key, item in value.items() if key != name}
        if change == "add":
            return value | {data.draw(st.text(max_size=6)): data.draw(JSON)}
        return value | {name: mutated(data, value[name]) if change == "into" else data.draw(JSON)}
    if isinstance(value, list) and value:
        index = data.draw(st.integers(0, len(value) - 1))
        return [*value[:index], mutated(data, value[index]), *value[index + 1 :]]
    return data.draw(JSON)


def send(client: TestClient, method: str, path: str, value: Any) -> None:
    body = value if isinstance(value, bytes) else json.dumps(value, default=str).encode("utf-8", "surrogatepass")
    answer = client.request(method, path, content=body, headers={"content-type": "application/json"})
    assert answer.status_code < 500, (method, path, body, answer.text)


def test_every_operation_of_the_openapi_document_answers_below_500(client: TestClient) -> None:
    schema = schemathesis.openapi.from_dict(client.get("/openapi.json").json())
    operations: list[Any] = [one.ok() for one in schema.get_all_operations()]  # type: ignore[union-attr]
    assert len(operations) == len(ROUTES) + len({(one.method, one.path) for one in INTERACTIONS})
    for operation in operations:

        @FUZZ
        @given(case=operation.as_strategy())
        def ask(case: Any) -> None:
            sent = case.as_transport_kwargs(base_url="http://testserver")
            allowed = {key: sent[key] for key in ("json", "data", "params") if sent.get(key) is not None}
            if isinstance(allowed.get("data"), bytes | str):
                allowed["content"] = allowed.pop("data")
            answer = client.request(sent["method"], sent["url"], headers=dict(sent.get("headers") or {}), **allowed)
            assert answer.status_code < 500, (sent, answer.text)

        ask()
    whole(client)


def test_bent_entries_and_bytes_leave_a_whole_record(client: TestClient) -> None:
    episode = client.post("/episodes", json={"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"}).json()["episode"]

    @settings(FUZZ, max_examples=250)
    @given(data=st.data())
    def ask(data: st.DataObject) -> None:
        kind = data.draw(st.sampled_from(["fill", "vital-signs", "blood-loss", "placement", "retraction", "infusion"]))
        document = json.loads(json.dumps(data.draw(any_entry(kind)).document(), default=float))
        send(client, "POST", f"/episodes/{episode}/entries", mutated(data, document))
        send(client, "POST", f"/episodes/{episode}/entries", [document, mutated(data, document)])
        send(client, "POST", "/episodes", data.draw(st.binary(max_size=40)))

    ask()
    whole(client)


def test_bent_cases_in_fhir_leave_a_whole_record(client: TestClient) -> None:
    @settings(FUZZ, max_examples=120)
    @given(data=st.data())
    def ask(data: st.DataObject) -> None:
        send(client, "POST", "/fhir", mutated(data, json.loads(partner.transaction())))
        resource = data.draw(st.sampled_from(partner.case()))
        path = f"/fhir/{resource['resourceType']}"
        send(client, "POST", path, mutated(data, resource))
        id_ = data.draw(st.sampled_from(["a", new_id(), f"{new_id()}.fill", "x" * 64]))
        send(client, "PUT", f"{path}/{id_}", mutated(data, resource | {"id": id_}))

    ask()
    whole(client)


def test_odd_questions_answer_below_500(client: TestClient) -> None:
    names = [
        "_id",
        "identifier",
        "patient",
        "_count",
        "_after",
        "_format",
        "identifier:not",
        "x",
        "as_of",
        "known_at",
        "limit",
    ]

    @settings(FUZZ, max_examples=150)
    @given(
        path=st.sampled_from(
            [
                "/fhir/Observation",
                "/fhir/Patient/x",
                "/episodes",
                "/episodes/x/state",
                "/fhir/metadata",
                "/fhir/Procedure/x/$episode",
            ]
        ),
        query=st.lists(st.tuples(st.sampled_from(names), st.text(max_size=12)), max_size=3),
    )
    def ask(path: str, query: list[tuple[str, str]]) -> None:
        try:
            answer = client.get(path, params=list(query))
        except UnicodeEncodeError:
            return  # a lone surrogate never leaves a client
        assert answer.status_code < 500, (path, query, answer.text)

    ask()
