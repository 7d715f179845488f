"""The REST state machine against a model of a page: whatever is done in whatever order, both say the same.

Source of what is expected: http://hl7.org/fhir/R4/http.html (see `rest_model`).
"""

from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import count
from typing import Any, ClassVar
from urllib.parse import urlencode

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from starlette.testclient import TestClient

from api import Settings, create_app
from api.clock import Clock
from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.r4 import dump, parse
from fhirmod.store import open_store
from tests.backends import BACKENDS, fresh_url, server
from tests.intake.case import new_id, request

from .rest_model import SYSTEM, Body, Model, Refused, text

EXAMPLES, STEPS = 50, 50
IDS, VALUES = st.sampled_from("abc"), st.sampled_from(("W-1", "W-2"))
TYPES = st.sampled_from(("Patient", "Observation"))
FIRST, SECOND = ({"identifier": f"{SYSTEM}|{one}"} for one in ("W-1", "W-2"))
CONDITIONS: dict[str, tuple[dict[str, str], ...]] = {  # one identifier, and more than that
    "Patient": (FIRST, SECOND, FIRST | {"gender": "female"}, {"_id": "a"}, {"gender": "unknown"}),
    "Observation": (FIRST, SECOND, SECOND | {"patient": "Patient/a"}, {"_id": "b"}, {"patient": "Patient/a"}),
}
WHICH = st.integers(0, 4)
DIGITS = st.sampled_from(("1.5", "1.50", "350", "350.0", "0.010", "1E+3", "12345678901234567.8910"))
MATCH = st.sampled_from((None, None, "now", "stale"))


def bodies(type_: str) -> st.SearchStrategy[Body]:
    """Return resources without id, some with an identifier, some about Patient/a."""
    identifiers = st.lists(VALUES, max_size=1)
    if type_ == "Patient":
        made = st.fixed_dictionaries({"gender": st.sampled_from(("female", "unknown"))})
    else:
        subject = st.sampled_from(({}, {}, {"subject": {"reference": "Patient/a"}}))
        made = st.builds(
            lambda digits, about: {
                "status": "final",
                "code": {"text": "x"},
                "valueQuantity": {"value": Decimal(digits) if set(digits) & set(".E") else int(digits)},
                **about,
            },
            DIGITS,
            subject,
        )
    return st.builds(
        lambda body, values: {
            "resourceType": type_,
            **({"identifier": [{"system": SYSTEM, "value": one} for one in values]} if values else {}),
            **body,
        },
        made,
        identifiers,
    )


ANY = TYPES.flatmap(bodies)
OPERATIONS = st.lists(
    st.one_of(
        st.tuples(st.just("PUT"), IDS, ANY, MATCH),
        st.tuples(st.just("DELETE"), IDS, TYPES, MATCH),
        st.tuples(st.just("PATCH"), IDS, TYPES, MATCH),
        st.tuples(st.just("POST"), WHICH, ANY, st.none()),
    ),
    min_size=1,
    max_size=4,
    unique_by=lambda one: (one[1], one[2] if isinstance(one[2], str) else one[2]["resourceType"]),
)


class Rest(RuleBasedStateMachine):
    """A client that does what it likes, the service, and the model beside it."""

    backend: ClassVar[str] = "sqlite"
    asked: ClassVar[int] = 0

    @initialize()
    def start(self) -> None:
        self.stack, self.model, self.steps = ExitStack(), Model(), 0
        seconds, begun = count(), datetime(2026, 3, 2, tzinfo=UTC)
        clock = Clock(lambda: begun + timedelta(seconds=next(seconds)), new_id)
        store = self.stack.enter_context(open_store(self.stack.enter_context(fresh_url(self.backend))))
        self.intake = Intake(store, Protocol.default())
        app = create_app(Settings(), self.intake, clock)
        self.client = self.stack.enter_context(TestClient(app, raise_server_exceptions=False))

    def teardown(self) -> None:
        if not hasattr(self, "stack"):
            return
        try:
            self.everything_that_was_done_is_in_the_history()
            assert self.intake.rebuild(request()) == 0
        finally:
            self.stack.close()

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> Any:
        type(self).asked += 1
        kind = "application/json-patch+json" if isinstance(body, list) else "application/fhir+json"
        named = {name.replace("_", "-"): value for name, value in headers.items()} | {"content-type": kind}
        return self.client.request(method, f"/fhir/{path}", content=None if body is None else dump(body), headers=named)

    def tag(self, address: str, which: str | None) -> int | None:
        return None if which is None else self.model.tag(address) + (which == "stale")

    def agrees(self, answer: Any, status: int, address: str | None = None) -> None:
        assert answer.status_code == status, answer.text
        if status >= 400:
            assert parse(answer.content)["resourceType"] == "OperationOutcome"
        elif address is not None and self.model.tag(address):
            assert answer.headers["etag"] == f'W/"{self.model.tag(address)}"'

    def attempt(self, do: Any) -> int:
        """Return the status of an interaction on the model, which is as before if that refuses."""
        trial = self.model.copy()
        try:
            status: int = do(trial)
        except Refused as refused:
            return refused.status
        self.model = trial
        return status

    # writes

    @rule(body=ANY)
    def create(self, body: Body) -> None:
        answer = self.ask("POST", body["resourceType"], body)
        address = "/".join(answer.headers["location"].split("/")[-4:-2])
        assert address not in self.model.versions
        self.agrees(answer, self.model.create(address, body), address)

    @rule(body=ANY, which=WHICH)
    def create_conditionally(self, body: Body, which: int) -> None:
        type_ = body["resourceType"]
        asked = CONDITIONS[type_][which]
        answer = self.ask("POST", type_, body, if_none_exist=urlencode(asked))
        try:
            found = self.model.found(type_, asked)
        except Refused as refused:
            self.agrees(answer, refused.status)
            return
        address = found or "/".join(answer.headers["location"].split("/")[-4:-2])
        self.agrees(answer, 200 if found else self.model.create(address, body), address)

    @rule(id_=IDS, body=ANY, match=MATCH)
    def update(self, id_: str, body: Body, match: str | None) -> None:
        address = f"{body['resourceType']}/{id_}"
        tag = self.tag(address, match)
        answer = self.ask("PUT", address, {**body, "id": id_}, **_if_match(tag))
        self.agrees(answer, self.attempt(lambda model: model.update(address, body, tag)), address)

    @rule(body=ANY, which=WHICH)
    def update_conditionally(self, body: Body, which: int) -> None:
        type_ = body["resourceType"]
        asked = CONDITIONS[type_][which]
        answer = self.ask("PUT", f"{type_}?{urlencode(asked)}", body)
        try:
            found = self.model.found(type_, asked)
        except Refused as refused:
            self.agrees(answer, refused.status)
            return
        address = found or "/".join(answer.headers["location"].split("/")[-4:-2])
        self.agrees(answer, self.model.update(address, body, None), address)

    @rule(id_=IDS, type_=TYPES, match=MATCH, language=st.sampled_from(("en", "fr")))
    def patch(self, id_: str, type_: str, match: str | None, language: str) -> None:
        address = f"{type_}/{id_}"
        tag = self.tag(address, match)
        operations = [{"op": "add", "path": "/language", "value": language}]
        answer = self.ask("PATCH", address, operations, **_if_match(tag))
        self.agrees(answer, self.attempt(lambda model: model.patch(address, "language", language, tag)), address)

    @rule(id_=IDS, type_=TYPES, match=MATCH)
    def delete(self, id_: str, type_: str, match: str | None) -> None:
        address = f"{type_}/{id_}"
        tag = self.tag(address, match)

        def do(model: Model) -> int:
            status = model.delete(address, tag)
            if model.log != self.model.log:
                model.whole(address)
            return status

        self.agrees(self.ask("DELETE", address, **_if_match(tag)), self.attempt(do), address)

    @rule(type_=TYPES, which=WHICH, language=st.sampled_from(("en", "fr")))
    def patch_conditionally(self, type_: str, which: int, language: str) -> None:
        def do(model: Model) -> int:
            found = model.found(type_, CONDITIONS[type_][which])
            if found is None:
                raise Refused(404)
            return model.patch(found, "language", language, None)

        operations = [{"op": "add", "path": "/language", "value": language}]
        answer = self.ask("PATCH", f"{type_}?{urlencode(CONDITIONS[type_][which])}", operations)
        self.agrees(answer, self.attempt(do))

    @rule(type_=TYPES, which=WHICH)
    def delete_conditionally(self, type_: str, which: int) -> None:
        def do(model: Model) -> int:
            found = model.found(type_, CONDITIONS[type_][which])
            if found is not None:
                model.delete(found, None)
                model.whole(found)
            return 204

        self.agrees(self.ask("DELETE", f"{type_}?{urlencode(CONDITIONS[type_][which])}"), self.attempt(do))

    @rule(operations=OPERATIONS)
    def transact(self, operations: list[tuple[str, Any, Any, str | None]]) -> None:
        entries = []
        for method, name, about, match in operations:
            type_ = about if isinstance(about, str) else about["resourceType"]
            asked: dict[str, Any] = {"method": method, "url": f"{type_}/{name}"}
            if method == "POST":
                asked |= {"url": type_, "ifNoneExist": urlencode(CONDITIONS[type_][int(name)])}
            if (tag := self.tag(f"{type_}/{name}", match)) is not None:
                asked["ifMatch"] = f'W/"{tag}"'
            entry: dict[str, Any] = {"request": asked}
            if method in ("PUT", "POST"):
                entry["resource"] = about if method == "POST" else {**about, "id": name}
            elif method == "PATCH":
                entry["resource"] = _adding(type_, "language", "de")
            entries.append(entry)
        answer = self.ask("POST", "", {"resourceType": "Bundle", "type": "transaction", "entry": entries})
        made = [one["response"].get("location", "") for one in parse(answer.content).get("entry", ())]
        status = self.attempt(lambda model: self._transacted(model, operations, made))
        self.agrees(answer, status)

    def _transacted(self, model: Model, operations: list[tuple[str, Any, Any, str | None]], made: list[str]) -> int:
        order = {"DELETE": 0, "POST": 1, "PUT": 2, "PATCH": 2}
        deleted = []
        for number in sorted(range(len(operations)), key=lambda number: order[operations[number][0]]):
            method, name, about, match = operations[number]
            type_ = about if isinstance(about, str) else about["resourceType"]
            address = f"{type_}/{name}"
            tag = self.tag(address, match)
            if method == "DELETE":
                before = len(model.log)
                model.delete(address, tag)
                deleted += [address] * (len(model.log) - before)
            elif method == "POST":
                if model.found(type_, CONDITIONS[type_][int(name)]) is None:
                    model.create("/".join(made[number].split("/")[-4:-2]) if made else f"{type_}/new{number}", about)
            elif method == "PUT":
                model.update(address, about, tag)
            else:
                model.patch(address, "language", "de", tag, by_path=True)
        for one in deleted:
            model.whole(one)
        return 200

    # questions

    @rule(id_=IDS, type_=TYPES)
    def read(self, id_: str, type_: str) -> None:
        address = f"{type_}/{id_}"
        answer = self.ask("GET", address)
        try:
            body = self.model.current(address)
        except Refused as refused:
            self.agrees(answer, refused.status)
            return
        self.agrees(answer, 200, address)
        assert text(_content(answer)) == text(body)
        assert self.ask("GET", address, if_none_match=answer.headers["etag"]).status_code == 304
        assert self.ask("HEAD", address).headers["etag"] == answer.headers["etag"]

    @rule(type_=TYPES, value=VALUES)
    def search(self, type_: str, value: str) -> None:
        bundle = parse(self.ask("GET", f"{type_}?identifier={SYSTEM}|{value}&_count=500").content)
        found = [one["fullUrl"].removeprefix("http://testserver/fhir/") for one in bundle.get("entry", ())]
        assert sorted(found) == sorted(self.model.identified(type_, value))
        assert bundle["total"] == len(found)

    @rule(id_=IDS, type_=TYPES)
    def history(self, id_: str, type_: str) -> None:
        address = f"{type_}/{id_}"
        answer = self.ask("GET", f"{address}/_history?_count=500")
        if address not in self.model.versions:
            self.agrees(answer, 404)
            return
        entries = parse(answer.content)["entry"]
        for number, (entry, body) in enumerate(zip(entries, self.model.versions[address][::-1], strict=True)):
            version = len(entries) - number
            again = self.ask("GET", f"{address}/_history/{version}")
            assert again.status_code == (410 if body is None else 200)
            assert ("resource" in entry) == (body is not None)
            if body is not None:
                assert parse(again.content) == entry["resource"]
                assert text(_content(again)) == text(body)

    @invariant()
    def the_sum_of_the_living_is_what_a_search_counts(self) -> None:
        if hasattr(self, "stack"):
            self.steps += 1
            if self.steps % 10 == 0:
                self.everything_that_was_done_is_in_the_history()

    def everything_that_was_done_is_in_the_history(self) -> None:
        seen: list[tuple[str, str, int]] = []
        path: str | None = "_history?_count=7"
        while path is not None:
            bundle = parse(self.ask("GET", path).content)
            for one in bundle.get("entry", ()):
                address = one["fullUrl"].removeprefix("http://testserver/fhir/")
                seen.append((one["request"]["method"], address, int(one["response"]["etag"].strip('W/"'))))
            links = {one["relation"]: one["url"] for one in bundle["link"]}
            path = links["next"].removeprefix("http://testserver/fhir/") if "next" in links else None
        assert sorted(seen) == sorted(self.model.log)
        for type_ in ("Patient", "Observation"):
            assert parse(self.ask("GET", f"{type_}?_count=0").content)["total"] == len(self.model.living(type_))


def _if_match(tag: int | None) -> dict[str, str]:
    return {} if tag is None else {"if_match": f'W/"{tag}"'}


def _adding(type_: str, name: str, value: str) -> Body:
    told = [("type", "add"), ("path", type_), ("name", name), ("value", value)]
    parts = [{"name": one, "valueString" if one in ("path", "name") else "valueCode": said} for one, said in told]
    return {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}


def _content(answer: Any) -> Body:
    return {name: value for name, value in parse(answer.content).items() if name not in ("id", "meta")}


@pytest.mark.parametrize("backend", BACKENDS)
def test_the_service_and_the_model_agree_whatever_is_done(backend: str) -> None:
    if backend == "postgresql":
        server()  # skipped here, with the reason, where there is none
    machine = type("Rest", (Rest,), {"backend": backend, "asked": 0})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
    assert machine.asked > 2000  # type: ignore[attr-defined]
