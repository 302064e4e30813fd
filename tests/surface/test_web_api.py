"""The REST interface: sign-in, rights, hostile requests."""

from __future__ import annotations

import json
import shutil

import pytest
from starlette.testclient import TestClient

from canalwright.records.access.roles import Role
from canalwright.records.access.users import add_user
from canalwright.records.store import Store
from canalwright.web.api.app import make_api
from canalwright.web.api.doors import COOKIE

PASSWORD = "violet canal lantern"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    place = tmp_path_factory.mktemp("api")
    store = Store.open(place / "empty")
    store.close()
    shutil.copytree(place / "empty", place / "with-users")
    store = Store.open(place / "with-users")
    with store.writing() as writing:
        for role in (Role.ADMIN, *(role for role in Role if role is not Role.ADMIN)):
            add_user(writing, role.value, [role], PASSWORD, must_change=False)
    store.close()
    return place


@pytest.fixture
def open_store(tmp_path, made):
    shutil.copytree(made / "empty", tmp_path / "records")
    store = Store.open(tmp_path / "records")
    yield store
    store.close()


@pytest.fixture
def guarded_store(tmp_path, made):
    shutil.copytree(made / "with-users", tmp_path / "records")
    store = Store.open(tmp_path / "records")
    yield store
    store.close()


@pytest.fixture
def local(open_store):
    return TestClient(make_api(open_store))


@pytest.fixture
def guarded(guarded_store):
    api = make_api(guarded_store)

    def signed_in(name: str) -> TestClient:
        client = TestClient(api)
        answer = client.post("/sign-in", json={"name": name, "password": PASSWORD})
        assert answer.status_code == 200, answer.text
        client.headers["x-form-token"] = answer.json()["form_token"]
        return client

    return signed_in


def document(kind: str = "canals") -> bytes:
    return json.dumps({"schema": f"canalwright/{kind}@1", "canals": []}).encode()


def test_a_case_from_beginning_to_end(local):
    case = local.post("/cases", json={"label": "lower molar", "teeth": ["36"]}).json()
    where = f"/cases/{case['id']}"
    kept = local.post(f"{where}/documents?name=canals", content=document()).json()
    assert local.get(f"{where}/documents/{kept['id']}").json()["canals"] == []
    visit = local.post(f"{where}/visits", json={"tooth": "36"}).json()
    event = {"event_kind": "instrument", "instrument": "hand-10-02", "to_level_mm": 0.0}
    logged = local.post(f"{where}/visits/{visit['id']}/events", json=event).json()
    assert (logged["position"], logged["instrument"]) == (1, "hand-10-02")
    closed = local.post(f"{where}/visits/{visit['id']}/close").json()
    assert closed["state"] == "closed"
    found = local.get(where).json()
    assert [tooth["number"] for tooth in found["teeth"]] == ["36"]
    assert local.get("/cases", params={"search": "lower"}).json()["lines"][0]["visit_count"] == 1


def test_a_correction_of_an_old_version_is_a_conflict(local):
    case = local.post("/cases", json={}).json()
    change = {"version": case["version"], "reason": "typing error", "label": "premolar"}
    assert local.patch(f"/cases/{case['id']}", json=change).json()["label"] == "premolar"
    again = local.patch(f"/cases/{case['id']}", json=change)
    assert again.status_code == 409
    assert "changed meanwhile" in again.json()["sentence"]


def test_with_users_nothing_is_open(guarded_store):
    api = make_api(guarded_store)
    client = TestClient(api)
    paths = api.openapi()["paths"]
    tried = 0
    for path, operations in paths.items():
        for method in operations:
            if path == "/sign-in":
                continue
            answer = client.request(method.upper(), path.replace("{", "").replace("}", ""))
            assert answer.status_code in (401, 422), (method, path, answer.text)
            tried += answer.status_code == 401
    assert tried > 15


def test_a_cookie_alone_changes_nothing(guarded):
    client = guarded("clinician")
    token = client.headers.pop("x-form-token")
    assert client.get("/cases").status_code == 200
    refused = client.post("/cases", json={})
    assert (refused.status_code, refused.json()["error"]) == (403, "Forbidden")
    assert client.post("/cases", json={}, headers={"x-form-token": "forged"}).status_code == 403
    assert client.post("/cases", json={}, headers={"x-form-token": token}).status_code == 201


def test_a_form_token_of_another_session_changes_nothing(guarded):
    one, other = guarded("clinician"), guarded("clinician")
    one.headers["x-form-token"] = other.headers["x-form-token"]
    assert one.post("/cases", json={}).status_code == 403


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(guarded_store):
    client = TestClient(make_api(guarded_store, secure=True), base_url="https://testserver")
    answer = client.post("/sign-in", json={"name": "viewer", "password": PASSWORD})
    cookie = answer.headers["set-cookie"].lower()
    assert all(word in cookie for word in ("httponly", "samesite=strict", "secure", "path=/"))


def test_programs_use_a_bearer_token(guarded_store):
    client = TestClient(make_api(guarded_store))
    given = client.post("/sign-in", json={"name": "clinician", "password": PASSWORD}).json()
    client.cookies.clear()
    bearer = {"authorization": f"Bearer {given['token']}"}
    assert client.post("/cases", json={}, headers=bearer).status_code == 201
    assert client.post("/sign-out", headers=bearer).status_code == 204
    assert client.get("/cases", headers=bearer).status_code == 401


@pytest.mark.parametrize("token", ["", "forged", "a" * 4000, "../../etc/passwd", "%00"])
def test_forged_sessions_are_refused(guarded_store, token):
    client = TestClient(make_api(guarded_store))
    assert client.get("/me", headers={"authorization": f"Bearer {token}"}).status_code == 401
    assert client.get("/me", headers={"cookie": f"{COOKIE}={token}"}).status_code == 401


def test_wrong_passwords_are_locked_out(guarded_store):
    client = TestClient(make_api(guarded_store))
    wrong = {"name": "viewer", "password": "wrong password"}
    assert [client.post("/sign-in", json=wrong).status_code for _ in range(6)] == [401] * 5 + [429]
    assert "retry-after" in client.post("/sign-in", json=wrong).headers


def test_roles_are_kept_apart(guarded):
    clinician, viewer, admin = guarded("clinician"), guarded("viewer"), guarded("admin")
    case = clinician.post("/cases", json={}).json()
    where = f"/cases/{case['id']}"
    assert viewer.get(where).status_code == 404
    assert clinician.put(f"{where}/shares", json={"user": "viewer"}).status_code == 204
    assert viewer.get(where).status_code == 200
    assert viewer.post(f"{where}/visits", json={}).status_code == 403
    assert admin.get(where).status_code == 403
    assert clinician.get("/users").status_code == 403
    log = admin.get("/accesses", params={"case_id": case["id"]}).json()
    assert {"viewer", "clinician", "admin"} <= {entry["actor"] for entry in log}


def test_a_new_user_gets_a_password_to_be_changed(guarded):
    admin = guarded("admin")
    asked = {"name": "noor", "roles": ["student"], "password": "quiet river apples"}
    assert admin.post("/users", json=asked).json()["must_change"] is True
    assert admin.post("/users", json=asked).status_code == 409
    weak = admin.post("/users", json={**asked, "name": "lee", "password": "short"})
    assert weak.status_code == 422
    assert "short" not in weak.text.replace("shorter", "")


def test_a_students_visit_is_signed(guarded):
    student, supervisor = guarded("student"), guarded("supervisor")
    case = student.post("/cases", json={}).json()
    where = f"/cases/{case['id']}/visits"
    visit = student.post(where, json={}).json()
    agreed = {"decision": "agreed"}
    assert student.post(f"{where}/{visit['id']}/sign-offs", json=agreed).status_code == 403
    signed = supervisor.post(f"{where}/{visit['id']}/sign-offs", json=agreed)
    assert signed.json()["signed_by"] == "supervisor"


def test_what_belongs_to_another_case_is_not_there(local):
    mine, other = (local.post("/cases", json={}).json()["id"] for _ in range(2))
    visit = local.post(f"/cases/{other}/visits", json={}).json()["id"]
    kept = local.post(f"/cases/{other}/documents?name=a", content=document()).json()["id"]
    file = local.post(f"/cases/{other}/files", files={"files": ("a.txt", b"text")}).json()
    attached = file["attachments"][0]["id"]
    note = {"event_kind": "note", "note": "x"}
    assert local.post(f"/cases/{mine}/visits/{visit}/events", json=note).status_code == 404
    assert local.get(f"/cases/{mine}/documents/{kept}").status_code == 404
    assert local.get(f"/cases/{mine}/files/{attached}").status_code == 404
    assert local.get(f"/cases/{other}/files/{attached}").content == b"text"


@pytest.mark.parametrize("name", ["../../../etc/cron.d/evil", "a\x00b", "..", "x" * 5000 + ".dcm"])
def test_names_of_uploads_lead_nowhere(local, open_store, name):
    case = local.post("/cases", json={}).json()["id"]
    before = {path for path in open_store.folder.parent.rglob("*") if "files" not in path.parts}
    answer = local.post(f"/cases/{case}/files", files={"files": (name, b"text")})
    assert answer.status_code in (201, 400, 422)
    after = {path for path in open_store.folder.parent.rglob("*") if "files" not in path.parts}
    assert after == before
    if answer.status_code == 201:
        assert "evil" not in answer.json()["attachments"][0]["name"]


@pytest.mark.parametrize(
    "path", ["/cases/..%2f..%2fetc", "/cases/%00", "/cases/x/files/..%2f..%2frecords.sqlite3"]
)
def test_paths_lead_nowhere(local, path):
    assert local.get(path).status_code == 404


@pytest.mark.parametrize(
    "content",
    [
        b"", b"not json", b"\xff\xfe", b"[" * 100_000, b'{"schema": "canalwright/plan@x"}',
        b'{"schema": 3}', b"null", b'{"schema": "canalwright/canals@1", "x": 1e999}',
    ],
)  # fmt: skip
def test_malformed_documents_are_refused_in_one_sentence(local, content):
    case = local.post("/cases", json={}).json()["id"]
    answer = local.post(f"/cases/{case}/documents?name=x", content=content)
    assert answer.status_code == 422, answer.text
    assert answer.json()["sentence"]
    assert local.get(f"/cases/{case}").json()["documents"] == []


def test_oversized_documents_are_refused(local, monkeypatch):
    monkeypatch.setattr("canalwright.web.api.cases.LARGEST_DOCUMENT_BYTES", 100)
    case = local.post("/cases", json={}).json()["id"]
    answer = local.post(f"/cases/{case}/documents?name=x", content=b" " * 101)
    assert (answer.status_code, "101 bytes" in answer.text) == (422, True)


def test_oversized_uploads_are_refused(local, monkeypatch):
    monkeypatch.setattr("canalwright.web.api.cases.LARGEST_UPLOAD_BYTES", 100)
    case = local.post("/cases", json={}).json()["id"]
    files = [("files", ("a", b"x" * 60)), ("files", ("b", b"x" * 60))]
    assert local.post(f"/cases/{case}/files", files=files).status_code == 422
    assert local.get(f"/cases/{case}").json()["attachments"] == []


@pytest.mark.parametrize(
    "body",
    [
        {"event_kind": "instrument"}, {"event_kind": "no such"}, {"event_kind": "note", "x": 1},
        {"event_kind": "instrument", "instrument": "hand-10-02", "to_level_mm": 1e9},
        {"event_kind": "note", "note": "x" * 5000},
    ],
)  # fmt: skip
def test_impossible_events_are_refused(local, body):
    case = local.post("/cases", json={}).json()["id"]
    visit = local.post(f"/cases/{case}/visits", json={}).json()["id"]
    answer = local.post(f"/cases/{case}/visits/{visit}/events", json=body)
    assert (answer.status_code, bool(answer.json()["sentence"])) == (422, True)


def test_a_password_is_in_no_answer(guarded):
    admin = guarded("admin")
    asked = {"name": "x" * 100, "roles": ["student"], "password": "quiet river apples"}
    assert "apples" not in admin.post("/users", json=asked).text
