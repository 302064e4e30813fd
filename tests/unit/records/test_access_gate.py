"""Users, sessions, shares, sign-offs and the log of accesses, on a real store."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import update

from canalwright.errors import BadInput, MalformedText
from canalwright.records.access.audit import accesses, log_faults
from canalwright.records.access.errors import Forbidden, SessionEnded, SignInLocked, SignInRefused
from canalwright.records.access.gate import CHANGING, Gate
from canalwright.records.access.roles import CASE_OPERATIONS, Operation, Role, permitted
from canalwright.records.access.schema import ACCESS_LOG, USERS
from canalwright.records.access.sessions import session_user, sign_in, sign_out
from canalwright.records.access.sign_off import needs_sign_off, pending, sign, sign_offs
from canalwright.records.access.users import (
    LOCAL_USER,
    add_user,
    change_user,
    find_user,
    has_users,
    list_users,
    set_password,
)
from canalwright.records.doctor import examine
from canalwright.records.errors import AlreadyRecorded, Conflict, NotRecorded
from canalwright.records.nouns import SignOffDecision, Visit
from canalwright.records.store import Store

PASSWORD = "violet canal lantern"


@dataclass
class Clock:
    now: datetime = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def pass_(self, **span: float) -> None:
        self.now += timedelta(**span)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Records with one user for each role, made once: hashing passwords takes its time."""
    place = tmp_path_factory.mktemp("made")
    opened = Store.open(place / "empty")
    opened.close()
    shutil.copytree(place / "empty", place / "with-users")
    opened = Store.open(place / "with-users")
    with opened.writing() as writing:
        for role in (Role.ADMIN, *(role for role in Role if role is not Role.ADMIN)):
            add_user(writing, role.value, [role], PASSWORD, must_change=False)
    opened.close()
    return place


@pytest.fixture
def store(tmp_path, clock, made, request):
    kind = "with-users" if "people" in request.fixturenames else "empty"
    shutil.copytree(made / kind, tmp_path / "records")
    opened = Store.open(tmp_path / "records", clock=clock)
    yield opened
    opened.close()


@pytest.fixture
def people(store):
    """The users, by the name of their only role."""
    with store.reading() as reading:
        return {user.name: user for user in list_users(reading)}


def start_visit(gate: Gate, case_id: str) -> Visit:
    with gate.writing(Operation.VISIT_START, case_id) as writing:
        return writing.create(Visit(case_id=case_id, started_utc=writing.now_utc))


def test_without_users_the_owner_of_the_computer_may_do_everything(store):
    with store.reading() as reading:
        assert not has_users(reading)
    gate = Gate(store)
    assert all(gate.allows(operation) for operation in Operation)
    case = gate.new_case(label="molar")
    assert [line.case.id for line in gate.cases().lines] == [case.id]


def test_the_first_user_has_to_be_an_admin(store):
    with pytest.raises(BadInput, match="first user must be an admin"), store.writing() as writing:
        add_user(writing, "noor", [Role.CLINICIAN], PASSWORD)


@pytest.mark.parametrize("name", ["Noor", "n", "1noor", "noor noor", "no/or", "", "a" * 41])
def test_names_of_users_are_plain(store, name):
    with pytest.raises(MalformedText), store.writing() as writing:
        add_user(writing, name, [Role.ADMIN], PASSWORD)


def test_names_of_users_are_unique(store, people):
    with pytest.raises(AlreadyRecorded), store.writing() as writing:
        add_user(writing, "student", [Role.STUDENT], PASSWORD)


def refusal(gate: Gate, operation: Operation, case_id: str) -> type[Exception] | None:
    """The kind of error with which the gate refuses, or None if it opens."""
    try:
        gate._require(operation, case_id, "")
    except (Forbidden, NotRecorded) as error:
        return type(error)
    return None


@pytest.mark.parametrize("role", list(Role))
def test_what_each_role_may_do_with_a_case_it_may_edit(store, people, role):
    case = Gate(store).new_case()
    Gate(store).share(case.id, people[role.value], may_edit=True)
    gate = Gate(store, people[role.value])
    for operation in Operation:
        case_id = case.id if operation in CASE_OPERATIONS else ""
        expected = None if permitted([role], operation) else Forbidden
        assert refusal(gate, operation, case_id) is expected, operation


@pytest.mark.parametrize("role", [Role.VIEWER, Role.STUDENT, Role.CLINICIAN])
def test_cases_of_others_look_as_if_they_were_not_there(store, people, role):
    case = Gate(store).new_case()
    gate = Gate(store, people[role.value])
    for operation in CASE_OPERATIONS:
        expected = NotRecorded if permitted([role], operation) else Forbidden
        assert refusal(gate, operation, case.id) is expected, operation
        assert refusal(gate, operation, "no such case") is expected, operation
    assert gate.cases().lines == ()


def test_a_share_to_look_does_not_allow_changes(store, people):
    case = Gate(store).new_case()
    clinician = people["clinician"]
    Gate(store).share(case.id, clinician, may_edit=False)
    gate = Gate(store, clinician)
    for operation in CASE_OPERATIONS:
        closed = operation in CHANGING or not permitted(clinician.roles, operation)
        assert refusal(gate, operation, case.id) is (Forbidden if closed else None), operation


def test_reading_and_writing_pass_the_gate(store, people):
    case = Gate(store).new_case()
    gate = Gate(store, people["clinician"])
    with pytest.raises(NotRecorded), gate.reading(Operation.CASE_READ, case.id):
        pass
    with pytest.raises(NotRecorded), gate.writing(Operation.CASE_EDIT, case.id):
        pass
    with pytest.raises(Forbidden), gate.writing(Operation.BACKUP_MAKE):
        pass


def test_a_share_can_be_taken_back(store, people):
    case = Gate(store).new_case()
    viewer = people["viewer"]
    Gate(store).share(case.id, viewer, may_edit=False)
    assert len(Gate(store, viewer).cases().lines) == 1
    Gate(store).unshare(case.id, viewer)
    assert Gate(store, viewer).cases().lines == ()


def test_supervisors_see_every_case_and_admins_none(store, people):
    Gate(store).new_case()
    assert len(Gate(store, people["supervisor"]).cases().lines) == 1
    with pytest.raises(Forbidden):
        Gate(store, people["admin"]).cases()


def test_who_makes_a_case_reaches_it(store, people):
    gate = Gate(store, people["student"])
    case = gate.new_case()
    with gate.writing(Operation.CASE_EDIT, case.id):
        pass
    assert Gate(store, people["clinician"]).cases().lines == ()


def test_inactive_users_may_nothing(store, people):
    gate = Gate(store, replace(people["supervisor"], active=False))
    assert not any(gate.allows(operation) for operation in Operation)


def test_every_access_is_logged_with_its_answer(store, people):
    case = Gate(store).new_case()
    with (
        pytest.raises(NotRecorded),
        Gate(store, people["viewer"]).reading(Operation.CASE_READ, case.id),
    ):
        pass
    with Gate(store, people["supervisor"]).reading(Operation.CASE_READ, case.id):
        pass
    with store.reading() as reading:
        last, before = accesses(reading, case_id=case.id)
        assert (before.actor, before.operation, before.outcome) == ("viewer", "case.read", "denied")
        assert (last.actor, last.outcome) == ("supervisor", "allowed")
        assert log_faults(reading) == ()


def test_a_changed_log_is_noticed(store):
    Gate(store).new_case()
    Gate(store).cases()
    with store.writing() as writing:
        writing.connection.execute(
            update(ACCESS_LOG).where(ACCESS_LOG.c.sequence == 1).values(actor="somebody")
        )
    with store.reading() as reading:
        assert any("access 1 was changed" in fault for fault in log_faults(reading))
    assert any("access 1 was changed" in fault for fault in examine(store).faults)


def test_signing_in_gives_a_session(store, people):
    user, token = sign_in(store, "clinician", PASSWORD)
    assert user.roles == {Role.CLINICIAN}
    assert session_user(store, token).name == "clinician"
    sign_out(store, token)
    with pytest.raises(SessionEnded):
        session_user(store, token)


@pytest.mark.parametrize(("name", "password"), [("clinician", "wrong password"), ("nobody", "x")])
def test_wrong_names_and_passwords_get_one_answer(store, people, name, password):
    with pytest.raises(SignInRefused) as caught:
        sign_in(store, name, password)
    assert str(caught.value) == "Name and password do not belong together."


def test_five_wrong_passwords_lock_the_name_even_for_the_right_one(store, people, clock):
    for _ in range(5):
        with pytest.raises(SignInRefused):
            sign_in(store, "clinician", "wrong password")
    with pytest.raises(SignInLocked, match=r"in \d+ s"):
        sign_in(store, "clinician", PASSWORD)
    sign_in(store, "student", PASSWORD)
    clock.pass_(minutes=2)
    sign_in(store, "clinician", PASSWORD)
    with pytest.raises(SignInRefused):
        sign_in(store, "clinician", "wrong password")


def test_a_password_typed_as_a_name_is_in_no_log(store, people):
    with pytest.raises(SignInRefused):
        sign_in(store, PASSWORD, "")
    with store.reading() as reading:
        assert PASSWORD not in " ".join(str(entry) for entry in accesses(reading))


def test_sessions_end_when_idle_and_after_a_day_of_work(store, people, clock):
    _, token = sign_in(store, "clinician", PASSWORD)
    for _ in range(5):
        clock.pass_(minutes=29)
        session_user(store, token)
    clock.pass_(minutes=31)
    with pytest.raises(SessionEnded):
        session_user(store, token)
    _, token = sign_in(store, "clinician", PASSWORD)
    for _ in range(25):
        clock.pass_(minutes=28)
        session_user(store, token)
    clock.pass_(minutes=29)
    with pytest.raises(SessionEnded):
        session_user(store, token)


@pytest.mark.parametrize("token", ["", "forged", "' OR 1=1 --", "x" * 5000])
def test_forged_sessions_are_refused(store, people, token):
    with pytest.raises(SessionEnded):
        session_user(store, token)


def test_a_change_of_roles_or_password_ends_sessions(store, people):
    _, token = sign_in(store, "student", PASSWORD)
    with store.writing("admin") as writing:
        change_user(writing, people["student"], roles=[Role.VIEWER])
    with pytest.raises(SessionEnded):
        session_user(store, token)
    _, token = sign_in(store, "clinician", PASSWORD)
    with store.writing("admin") as writing:
        set_password(writing, people["clinician"], "quiet river apples", must_change=True)
    with pytest.raises(SessionEnded):
        session_user(store, token)
    user, _ = sign_in(store, "clinician", "quiet river apples")
    assert user.must_change


def test_inactive_users_cannot_sign_in(store, people):
    with store.writing("admin") as writing:
        change_user(writing, people["viewer"], active=False)
    with pytest.raises(SignInRefused):
        sign_in(store, "viewer", PASSWORD)


def test_the_last_admin_stays(store, people):
    with pytest.raises(BadInput, match="No active admin"), store.writing() as writing:
        change_user(writing, people["admin"], active=False)
    with pytest.raises(BadInput, match="No active admin"), store.writing() as writing:
        change_user(writing, people["admin"], roles=[Role.CLINICIAN])


def test_a_user_changed_meanwhile_is_not_overwritten(store, people):
    with store.writing() as writing:
        change_user(writing, people["viewer"], display_name="Guest")
    with pytest.raises(Conflict), store.writing() as writing:
        change_user(writing, people["viewer"], display_name="Visitor")


def test_hashes_only_are_kept(store, people):
    with store.reading() as reading:
        kept = reading.connection.execute(USERS.select()).mappings().all()
    assert all(re.match(r"\$argon2id\$", row["password_hash"]) for row in kept)
    with store.reading() as reading:
        assert [user.name for user in list_users(reading)] == sorted(people)
        assert find_user(reading, "viewer") == people["viewer"]


def test_a_students_visit_waits_for_a_supervisor(store, people):
    student, supervisor = Gate(store, people["student"]), Gate(store, people["supervisor"])
    case = student.new_case()
    visit = start_visit(student, case.id)
    with store.reading() as reading:
        (waiting,) = pending(reading, case.id)
    assert (waiting.subject.id, waiting.recorded_by) == (visit.id, "student")
    with pytest.raises(Forbidden):
        sign(student, visit, SignOffDecision.AGREED)
    with pytest.raises(BadInput, match="few words why"):
        sign(supervisor, visit, SignOffDecision.RETURNED)
    sign(supervisor, visit, SignOffDecision.RETURNED, "Gauge the terminus first.")
    with store.reading() as reading:
        assert needs_sign_off(reading, visit)
    signed = sign(supervisor, visit, SignOffDecision.AGREED)
    assert (signed.signed_by, signed.subject_version) == ("supervisor", visit.version)
    with store.reading() as reading:
        assert not needs_sign_off(reading, visit)
        assert [one.decision for one in sign_offs(reading, visit)] == ["returned", "agreed"]


def test_an_amendment_needs_a_new_sign_off(store, people):
    student, supervisor = Gate(store, people["student"]), Gate(store, people["supervisor"])
    case = student.new_case()
    visit = start_visit(student, case.id)
    sign(supervisor, visit, SignOffDecision.AGREED)
    with student.writing(Operation.VISIT_AMEND, case.id) as writing:
        visit = writing.amend(replace(visit, note="Left canal too"), reason="forgotten")
    with store.reading() as reading:
        assert needs_sign_off(reading, visit)


def test_what_clinicians_record_needs_no_signature(store, people):
    gate = Gate(store, people["clinician"])
    case = gate.new_case()
    visit = start_visit(gate, case.id)
    with store.reading() as reading:
        assert not needs_sign_off(reading, visit)
        assert pending(reading, case.id) == ()


def test_the_local_user_is_nobody_in_the_table(store, people):
    with store.reading() as reading, pytest.raises(NotRecorded):
        find_user(reading, LOCAL_USER.name)
