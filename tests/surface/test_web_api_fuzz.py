"""Generated requests against the REST interface, from its own description: no server error."""

from __future__ import annotations

import schemathesis
from hypothesis import HealthCheck, given, settings

from canalwright.records.access.roles import Role
from canalwright.records.access.users import add_user
from canalwright.records.store import Store
from canalwright.web.api.app import make_api

PASSWORD = "violet canal lantern"


QUICK = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)


def answers(api, examples: int):
    """Send generated requests to every operation and yield what came back."""
    schema = schemathesis.openapi.from_asgi("/openapi.json", api)
    seen = []
    for found in schema.get_all_operations():
        operation = found.ok()

        @settings(QUICK, max_examples=examples)
        @given(case=operation.as_strategy())
        def send(case):
            answer = case.call()
            seen.append((case.method, case.path, answer.status_code, answer.text[:300]))

        send()
    return seen


def test_no_request_ends_in_a_server_error(tmp_path):
    store = Store.open(tmp_path)
    seen = answers(make_api(store), examples=12)
    store.close()
    assert len({(method, path) for method, path, *_ in seen}) > 18
    assert [one for one in seen if one[2] >= 500] == []


def test_no_request_passes_without_a_session(tmp_path):
    store = Store.open(tmp_path)
    with store.writing() as writing:
        add_user(writing, "admin", [Role.ADMIN], PASSWORD, must_change=False)
    seen = answers(make_api(store), examples=4)
    store.close()
    assert [one for one in seen if one[2] not in (401, 405, 422, 429)] == []
