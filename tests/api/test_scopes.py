"""What a scope allows: every interaction of both tables against every scope, and what reaches beyond its own type.

Source: SMART App Launch 2, "Scopes and launch context": c is create; r is read, vread and history of an instance; u is
update and patch of an instance; d is delete; s is search and history of a type or of all (read as reprinted in public
source code); the words read, write and * of version 1 are rs, cud and cruds (from memory). The bedside's two scopes are ours; no published source.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import combinations
from typing import Any
from urllib.parse import parse_qsl

import pytest
from starlette.testclient import TestClient

from api.fhir import INTERACTIONS, Interaction
from api.fhir.reaching import reached
from api.fhir.understanding import understood
from api.routes import ROUTES
from api.scopes import Caller, granted
from fhirmod.intake import Asking
from fhirmod.mapping import TABLES
from fhirmod.r4 import RESOURCE_TYPES, compartment_parameters, dump
from tests.intake.case import entry, new_id

from .issuer import asking_tokens, bearer, token
from .test_fhir import FHIR
from .walked import refused, valid

BY_SMART: dict[str, str] = {
    "create": "c",
    "read": "r",
    "vread": "r",
    "history-instance": "r",
    "update": "u",
    "patch": "u",
    "delete": "d",
    "search-type": "s",
    "search-compartment": "s",
    "history-type": "s",
    "validate": "r",
    "expand": "r",
    "validate-code": "r",
    "lookup": "r",
    "translate": "r",
    "everything": "r",
    "document": "r",
}
OF_ALL = {"history-system": "s", "episode": "r"}
LETTERS = ["".join(some) for size in range(6) for some in combinations("cruds", size)]
WOMAN = {"resourceType": "Patient", "id": "p1", "identifier": [{"system": "urn:x", "value": "1"}], "active": True}
OTHER = {**WOMAN, "id": "p2", "identifier": [{"system": "urn:x", "value": "2"}]}  # the one of her identifier
PULSE = {
    "resourceType": "Observation",
    "id": "o1",
    "status": "final",
    "code": {"text": "pulse"},
    "subject": {"reference": "Patient/p1"},
}
WHOLE = bearer(token())


@pytest.fixture(scope="module")
def asked(tmp_path_factory: Any) -> Iterator[TestClient]:
    with asking_tokens(tmp_path_factory.mktemp("scopes")) as (client, _):
        for one in (WOMAN, OTHER, PULSE):
            assert put(client, one, WHOLE).status_code == 201
        yield client


def put(client: TestClient, resource: dict[str, Any], by: dict[str, str], **headers: str) -> Any:
    address = f"/fhir/{resource['resourceType']}/{resource['id']}"
    return client.put(address, content=dump(resource), headers=FHIR | by | headers)


def addressed(one: Interaction) -> tuple[str, bytes]:
    """Return an address of a row, about the woman unless it names its type, and a body that gets as far as the scopes."""
    path = one.path.replace("{type}", "Patient").replace("{id}", "p1").replace("{version}", "1")
    path = path.replace("{compartment}", "Patient")
    if one.level == "conditional":
        path += "?identifier=urn:x|1"
    return f"/fhir{path}", dump(WOMAN) if one.method in ("POST", "PUT") else b""


JUDGED = [one for one in INTERACTIONS if one.code not in ("batch", "transaction") and one.scope != "open"]


@pytest.mark.parametrize("one", JUDGED, ids=lambda one: one.name)
def test_an_interaction_is_done_exactly_when_a_scope_says_so(asked: TestClient, one: Interaction) -> None:
    wanted = set(BY_SMART.get(one.code, "")) | ({"s"} if one.level == "conditional" else set())
    of_all = OF_ALL.get(one.code, "" if wanted else "r")  # what no letter fits gathers from every type
    address, body = addressed(one)
    named = one.path.split("/")[1]
    type_ = named if named.isalpha() else "Patient"
    seen = set()
    for letters in LETTERS:
        for scope, fits in (
            (f"system/{type_}.{letters}", bool(wanted) and wanted <= set(letters)),
            (f"user/*.{letters}", wanted <= set(letters) and set(of_all) <= set(letters)),
            (f"system/Observation.{letters} patient/{type_}.{letters} {type_}.{letters} bedside.read", False),
        ):
            if one.code == "delete":
                put(asked, WOMAN, WHOLE)
            answer = asked.request(one.method, address, content=body, headers=FHIR | bearer(token(scope)))
            assert (answer.status_code not in (401, 403)) == fits, (scope, answer.text)
            seen.add(fits)
            if not fits:
                challenge = answer.headers["www-authenticate"]
                assert challenge.startswith('Bearer realm="fhirmod", error="insufficient_scope", scope="system/')
                refused(answer, 403, "forbidden", "This needs the scope system/")
    assert seen == {True, False}


def test_the_episode_needs_each_type_that_it_is_read_from(asked: TestClient) -> None:
    """No published source: what the state says was recorded in these types, those of the mapping's tables, and in the
    Patient; whoever may not read one of them must not learn it from the sums."""
    types = {"Patient", *(part.type for table in TABLES.values() for part in table.parts)}
    assert {"Observation", "Procedure", "MedicationAdministration", "Device", "Consent"} < types
    address = "/fhir/Procedure/none/$episode"
    assert asked.get(address, headers=bearer(token(" ".join(f"user/{one}.r" for one in types)))).status_code == 404
    for lacking in types:
        scope = " ".join(f"user/{one}.rs" for one in types if one != lacking)
        answer = asked.get(address, headers=bearer(token(scope)))
        refused(answer, 403, "forbidden", f"This needs the scope system/{lacking}.r")


def test_every_route_of_both_tables_but_the_open_ones_asks_for_a_token(asked: TestClient) -> None:
    every = [(one.method, f"/fhir{one.path}", one.scope) for one in INTERACTIONS]
    every += [(one.method, one.path, one.scope) for one in ROUTES]
    every += [("POST", "/fhir/", "write"), ("GET", "/fhir/$export", "read"), ("GET", "/fhir/a/b/c", "read")]
    for method, path, scope in every:
        for name in ("compartment", "type", "id", "version", "episode"):
            path = path.replace(f"{{{name}}}", "Patient" if name in ("type", "compartment") else "p1")  # noqa: PLW2901
        for asks in (method, "HEAD" if method == "GET" else method):
            for by in ({}, bearer("garbage"), bearer(token(exp=1))):
                answer = asked.request(asks, path, content=b"x" if method != "GET" else b"", headers=FHIR | by)
                wanted = {200} if scope == "open" else {401, 404} if path.endswith("/c") else {401}
                assert answer.status_code in wanted, (asks, path, answer.text)


def test_a_type_in_another_spelling_is_the_type_that_it_reaches(asked: TestClient) -> None:
    for path in ("%50atient/p1", "Patient%2Fp1", "Patient/%70%31"):
        assert asked.get(f"/fhir/{path}", headers=bearer(token("system/Observation.cruds"))).status_code == 403
        assert asked.get(f"/fhir/{path}", headers=bearer(token("system/Patient.r"))).status_code == 200
    for path in ("patient/p1", "Patient/p1/", "/Patient/p1"):
        assert asked.get(f"/fhir/{path}", headers=bearer(token("system/Patient.cruds"))).status_code in (403, 404)


@pytest.mark.parametrize("one", [one for one in ROUTES if one.scope != "open"], ids=lambda one: one.name)
def test_a_bedside_route_is_answered_exactly_when_its_own_scope_says_so(asked: TestClient, one: Any) -> None:
    address = one.path.replace("{episode}", "nothing")
    for scope, fits in (
        ("", False),
        ("system/*.cruds user/*.*", False),
        ("bedside.read", one.scope == "read"),
        ("bedside.write", one.scope == "write"),
        ("bedside.read bedside.write", True),
        ("bedside.* bedside.reads BEDSIDE.READ patient/bedside.read", False),
    ):
        answer = asked.request(one.method, address, content=b"{}", headers=FHIR | bearer(token(scope)))
        assert (answer.status_code not in (401, 403)) == fits, (scope, answer.text)
        if not fits:
            assert answer.json()["findings"][0]["sentence"].startswith(f"This needs the scope bedside.{one.scope}, ")
            assert 'error="insufficient_scope"' in answer.headers["www-authenticate"]


@pytest.mark.parametrize(
    ("scopes", "letters"),
    [
        ("system/Patient.read", "rs"),
        ("user/Patient.write", "cud"),
        ("system/Patient.*", "cruds"),
        ("system/*.read", "rs"),
        ("system/Patient.r system/Patient.s", "rs"),
        ("system/Patient.", ""),
        ("system/Patient.sr", ""),
        ("system/Patient.rr", ""),
        ("system/Patient.rx", ""),
        ("system/patient.rs", ""),
        ("system/Patient", ""),
        ("system/.rs", ""),
        ("SYSTEM/Patient.rs", ""),
        ("patient/Patient.rs", ""),
        ("patient/*.*", ""),
        ("launch openid fhirUser offline_access", ""),
        ("system/Patient.rs?identifier=urn:x|1", ""),
        ("system/Patient.rs\u00a0", "rs"),
        ("xsystem/Patient.rs", ""),
    ],
)
def test_a_scope_grants_what_it_says_in_either_version_and_nothing_else(scopes: str, letters: str) -> None:
    caller = granted("ehr", scopes)
    assert {letter for letter in "cruds" if caller.may((letter, "Patient"))} == set(letters)  # type: ignore[arg-type]


def test_scopes_of_patient_are_said_not_to_be_taken(asked: TestClient) -> None:
    answer = asked.get("/fhir/Patient/p1", headers=bearer(token("patient/*.rs launch/patient")))
    refused(answer, 403, "forbidden", "Scopes of patient/ are not taken here yet.")


# beyond the type of the address

ANY = RESOURCE_TYPES - {"Parameters"}  # what `focus`, a Reference(Any), leads to; Parameters have no id to refer to


@pytest.mark.parametrize(
    ("query", "needs"),
    [
        ("patient.name=x", "Patient.s"),
        ("subject:Patient.name=x", "Patient.s"),
        ("subject.name=x", "Patient.s Location.s"),  # the two of the four that have a name
        ("patient.general-practitioner:Practitioner.name=x", "Patient.s Practitioner.s"),
        ("_has:Provenance:target:agent=x", "Provenance.s"),
        ("_has:Procedure:reason-reference:_has:Provenance:target:_id=x", "Procedure.s Provenance.s"),
        ("_has:Procedure:reason-reference:patient.name=x", "Procedure.s Patient.s"),
        ("_include=Observation:subject:Patient", "Observation.r Patient.r"),
        ("_include=Observation:patient", "Observation.r Patient.r"),
        ("_include:iterate=Patient:organization", "Patient.r Organization.r"),
        ("_include=*", "*.r"),
        ("_include=Observation:*", " ".join(f"{one}.r" for one in sorted(ANY))),
        ("_revinclude=Provenance:target", "Provenance.s"),
        ("_revinclude:iterate=Flag:encounter&_revinclude=Task:subject", "Flag.s Task.s"),
        ("_revinclude=*", "*.s"),
        ("_has:Provenance:target:agent:Practitioner.name=x", "Provenance.s Practitioner.s"),
        ("_has:Provenance:target:patient._has:Flag:patient:_id=x", "Provenance.s Patient.s Flag.s"),
        ("unknown.name=x", "*.s"),
        ("code=1.2&patient=p1&subject:Patient=p1&status:missing=false", ""),
    ],
)
def test_a_search_that_goes_on_to_other_types_needs_their_scopes(asked: TestClient, query: str, needs: str) -> None:
    wanted = {(one[-1], one[:-2]) for one in needs.split()}
    pairs = parse_qsl(query)
    asking = Asking("", datetime(2026, 3, 2, tzinfo=UTC))
    assert set(reached(understood("Observation", pairs, asking, strict=False))) == wanted
    own = "system/Observation.rs"
    enough = " ".join(f"system/{type_}.{letter}" for letter, type_ in wanted)
    answer = asked.get(f"/fhir/Observation?{query}", headers=bearer(token(f"{own} {enough}")))
    assert answer.status_code in (200, 400), answer.text
    narrow = asked.get(f"/fhir/Observation?{query}", headers=bearer(token(own)))
    assert (narrow.status_code == 403) == bool(needs.replace("Observation.r", "").strip())


LOOKUP = {**PULSE, "subject": {"reference": "Patient?identifier=urn:x|2"}}


def test_a_conditional_reference_searches_the_type_it_names(asked: TestClient) -> None:
    for letters, status in (("cu", 403), ("cu system/Patient.r", 403), ("cu system/Patient.s", 201)):
        by = FHIR | bearer(token(f"system/Observation.{letters}"))
        for body in (dump(LOOKUP), dump(LOOKUP).replace(b"?", rb"\u003f")):
            assert asked.post("/fhir/Observation", content=body, headers=by).status_code == status
        assert put(asked, LOOKUP, by).status_code == (200 if status == 201 else 403)
        patch = [{"op": "replace", "path": "/subject/reference", "value": "Patient?identifier=urn:x|2"}]
        headers = by | {"content-type": "application/json-patch+json"}
        answer = asked.patch("/fhir/Observation/o1", content=dump(patch), headers=headers)
        assert answer.status_code == (200 if status == 201 else 403)
    free = {**PULSE, "note": [{"text": "Patient? Yes, the same."}]}
    assert put(asked, free, bearer(token("system/Observation.u"))).status_code == 200


def test_a_conditional_create_searches_its_own_type(asked: TestClient) -> None:
    for letters, status in (("c", 403), ("cs", 200)):
        by = FHIR | bearer(token(f"system/Patient.{letters}")) | {"if-none-exist": "identifier=urn:x|2"}
        body = dump({name: value for name, value in WOMAN.items() if name != "id"})
        assert asked.post("/fhir/Patient", content=body, headers=by).status_code == status


def test_who_may_not_read_gets_nothing_to_read_for_a_write(asked: TestClient) -> None:
    asks = {"prefer": "return=representation"}
    for letters, shown in (("us", False), ("rus", True)):
        by = bearer(token(f"system/Patient.{letters}"))
        assert bool(put(asked, WOMAN, by, **asks).content) == shown
        kind = {"content-type": "application/json-patch+json"}
        answer = asked.patch("/fhir/Patient/p1", content=b"[]", headers=FHIR | by | asks | kind)
        assert (answer.status_code, bool(answer.content)) == (200, shown)
        assert answer.headers["etag"]
        bundle = transaction({"method": "PUT", "url": "Patient?identifier=urn:x|2", "resource": OTHER})
        [entry] = valid(asked.post("/fhir", content=bundle, headers=FHIR | by | asks))["entry"]
        assert ("resource" in entry) == shown


# Bundles


def transaction(*asked: dict[str, Any], kind: str = "transaction") -> bytes:
    entries = []
    for one in asked:
        request = {name: value for name, value in one.items() if name != "resource"}
        entries.append({"request": request} | ({"resource": one["resource"]} if "resource" in one else {}))
    return dump({"resourceType": "Bundle", "type": kind, "entry": entries})


READ = {"method": "GET", "url": "Patient/p1"}
HEAD = {"method": "HEAD", "url": "Patient/p1"}
SEARCH = {"method": "GET", "url": "Observation?code=x"}
CHAIN = {"method": "GET", "url": "Observation?patient.name=x"}
PAST = {"method": "GET", "url": "_history"}
MAKE = {"method": "POST", "url": "Observation", "resource": {k: v for k, v in PULSE.items() if k != "id"}}
UPDATE = {"method": "PUT", "url": "Observation/o1", "resource": PULSE}
DELETE = {"method": "DELETE", "url": "Observation/none"}
FOUND = {"method": "DELETE", "url": "Observation?identifier=urn:x|none"}
ONCE = MAKE | {"ifNoneExist": "identifier=urn:x|none"}
LINKED = MAKE | {"resource": {**MAKE["resource"], "subject": LOOKUP["subject"]}}  # type: ignore[dict-item]
ABSOLUTE = {"method": "GET", "url": "http://testserver/fhir/Patient/p1"}
EACH: list[tuple[dict[str, Any], str]] = [
    (READ, "Patient.r"),
    (HEAD, "Patient.r"),
    (SEARCH, "Observation.s"),
    (CHAIN, "Observation.s Patient.s"),
    (PAST, "*.s"),
    (MAKE, "Observation.c"),
    (UPDATE, "Observation.u"),
    (DELETE, "Observation.d"),
    (FOUND, "Observation.d Observation.s"),
    (ONCE, "Observation.c Observation.s"),
    (LINKED, "Observation.c Patient.s"),
    (ABSOLUTE, "Patient.r"),
]


@pytest.mark.parametrize(("one", "needs"), EACH)
def test_an_entry_of_a_bundle_needs_what_it_would_need_alone(
    asked: TestClient, one: dict[str, Any], needs: str
) -> None:
    wanted = needs.split()
    for left in ([], wanted[:-1], *([wanted[1:]] if len(wanted) > 1 else [])):
        by = FHIR | bearer(token(" ".join(f"system/{need}" for need in left)))
        versions = asked.get("/fhir/_history?_count=1", headers=WHOLE).json()["entry"][0]
        whole = asked.post("/fhir", content=transaction(MAKE, one), headers=FHIR | by)
        assert whole.status_code == 403, whole.text
        answer = asked.post("/fhir", content=transaction(one), headers=by)
        refused(answer, 403, "forbidden", "This needs the scope system/")
        assert answer.json()["issue"][0].get("expression", ["Bundle.entry[0]"]) == ["Bundle.entry[0]"]
        [entry] = valid(asked.post("/fhir", content=transaction(one, kind="batch"), headers=by))["entry"]
        assert entry["response"]["status"] == "403 Forbidden"
        assert "resource" not in entry
        assert asked.get("/fhir/_history?_count=1", headers=WHOLE).json()["entry"][0] == versions, "nothing written"
    by = FHIR | bearer(token(" ".join(f"system/{need}" for need in wanted)))
    for kind in ("transaction", "batch"):
        answer = asked.post("/fhir", content=transaction(one, kind=kind), headers=by)
        assert answer.status_code in (200, 400, 422), answer.text  # 400: no chain inside a Bundle yet
        if answer.status_code == 200:
            assert not valid(answer)["entry"][0]["response"]["status"].startswith("403")


def test_a_batch_refuses_what_is_beyond_the_scopes_and_does_the_rest(asked: TestClient) -> None:
    by = FHIR | bearer(token("system/Patient.r"))
    said = valid(asked.post("/fhir", content=transaction(READ, MAKE, SEARCH, READ, kind="batch"), headers=by))
    assert [one["response"]["status"][:3] for one in said["entry"]] == ["200", "403", "403", "200"]


def test_an_address_in_another_spelling_is_judged_as_what_it_does(asked: TestClient) -> None:
    by = FHIR | bearer(token("system/Patient.cruds"))
    for url in ("Observation/o1/", "/Observation/o1", "Observation//o1", "observation/o1", "./Observation/o1"):
        one = {"method": "PUT", "url": url, "resource": PULSE}
        assert asked.post("/fhir", content=transaction(one), headers=by).status_code == 403, url
        said = valid(asked.post("/fhir", content=transaction(one, kind="batch"), headers=by))
        assert said["entry"][0]["response"]["status"][:3] in ("403", "404", "422"), url
    one = {"method": "PUT", "url": "Observation/o1/", "resource": PULSE}
    by = FHIR | bearer(token("system/Observation.u"))
    assert asked.post("/fhir", content=transaction(one), headers=by).status_code == 200


def test_a_patch_in_base64_hides_no_conditional_reference(asked: TestClient) -> None:
    import base64

    patch = [{"op": "replace", "path": "/subject/reference", "value": "Patient?identifier=urn:x|2"}]
    data = base64.b64encode(dump(patch)).decode()
    binary = {"resourceType": "Binary", "contentType": "application/json-patch+json", "data": data}
    one = {"method": "PATCH", "url": "Observation/o1", "resource": binary}
    for scope, status in (("", 403), (" system/Patient.s", 200)):
        by = FHIR | bearer(token("system/Observation.u" + scope))
        assert asked.post("/fhir", content=transaction(one), headers=by).status_code == status
        said = asked.post("/fhir", content=transaction(one, kind="batch"), headers=by).json()
        assert said["entry"][0]["response"]["status"][:3] == str(status)


def test_validation_tries_a_write_only_for_who_may_write(asked: TestClient) -> None:
    parts = [{"name": "resource", "resource": WOMAN}]
    for mode, letter, path in (("create", "c", ""), ("update", "u", "/p1"), ("delete", "d", "/p1")):
        body = dump({"resourceType": "Parameters", "parameter": [*parts, {"name": "mode", "valueCode": mode}]})
        for letters, status in (("r", 403), (f"r system/Patient.{letter}", 200)):
            by = FHIR | bearer(token(f"system/Patient.{letters}"))
            assert asked.post(f"/fhir/Patient{path}/$validate", content=body, headers=by).status_code == status


# outside the patient compartment


OUTSIDE = {
    "Bundle",
    "Device",
    "Library",
    "Location",
    "Medication",
    "Organization",
    "Practitioner",
    "PractitionerRole",
    "StructureDefinition",
    "Substance",
    "Task",
}
INSIDE = {
    "Condition",
    "DeviceUseStatement",
    "Encounter",
    "Flag",
    "MedicationAdministration",
    "Observation",
    "Patient",
    "Procedure",
    "Provenance",
}


def test_which_types_are_outside_the_patient_compartment_is_r4s_word() -> None:
    """http://hl7.org/fhir/R4/compartmentdefinition-patient.html; the two lists here are from memory of that page."""
    assert {type_ for type_ in OUTSIDE | INSIDE if not compartment_parameters("Patient", type_)} == OUTSIDE


@pytest.mark.parametrize("type_", sorted(RESOURCE_TYPES))
def test_a_type_is_read_by_its_own_scope_whether_inside_or_outside_the_compartment(
    asked: TestClient, type_: str
) -> None:
    other = "Patient" if type_ != "Patient" else "Observation"
    for scope, status in (
        ("", 403),
        (f"system/{other}.cruds", 403),
        (f"patient/{type_}.cruds", 403),
        (f"system/{type_}.s", 200),
        ("user/*.s", 200),
    ):
        assert asked.get(f"/fhir/{type_}", headers=bearer(token(scope))).status_code == status, scope


# the caller below the door


def test_the_record_says_who_sent_it(asked: TestClient) -> None:
    by = FHIR | bearer(token("bedside.write", sub="ward-tablet-3"))
    opening = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z", "id": new_id()}
    episode = asked.post("/episodes", content=dump(opening), headers=by).json()["episode"]
    answer = asked.post(f"/episodes/{episode}/entries", content=dump(entry("note", "02:10", text="x")), headers=by)
    assert answer.status_code == 200, answer.text
    made = asked.get("/fhir/Provenance", headers=WHOLE).json()["entry"]
    whos = [agent["who"].get("display") for one in made for agent in one["resource"]["agent"]]
    assert "ward-tablet-3" in whos


def test_the_store_refuses_a_second_time(asked: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Caller, "require", lambda *_, **__: None)  # as if a door had been left open
    answer = put(asked, WOMAN, bearer(token("system/Observation.rs")))
    refused(answer, 403, "forbidden", "The store was asked for 'write' by 'ehr-1', who holds read; grant 'write'.")
    assert answer.headers["www-authenticate"] == 'Bearer realm="fhirmod", error="insufficient_scope"'
    answer = asked.get("/episodes", headers=bearer(token("")))
    assert (answer.status_code, answer.json()["findings"][0]["code"]) == (403, "forbidden")


def test_what_the_store_is_told_of_a_caller_follows_from_the_scopes() -> None:
    assert granted("reader", "system/Observation.rs").access.scopes == {"read"}
    assert granted("writer", "system/Observation.c").access.scopes == {"read", "write"}
    assert granted("nobody", "patient/Observation.rs openid").access.scopes == frozenset()


@pytest.mark.parametrize(
    "include", ["DiagnosticReport:assessed-condition", "Encounter:appointment", "QuestionnaireResponse:item-subject"]
)
def test_an_include_that_may_lead_anywhere_needs_every_type(asked: TestClient, include: str) -> None:
    """R4 names no target for these parameters, so whatever is referred to comes along."""
    source = include.partition(":")[0]
    some = " ".join(f"system/{one}.rs" for one in RESOURCE_TYPES if one != "Condition")
    for scopes, status in ((f"system/{source}.rs", 403), (some, 403), ("system/*.rs", 200)):
        answer = asked.get(f"/fhir/{source}?_include={include}", headers=bearer(token(scopes)))
        assert answer.status_code == status, (scopes[:40], answer.text)
