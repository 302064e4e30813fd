from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from canalwright.errors import BadInput
from canalwright.records.access import lockout, passwords, tokens
from canalwright.records.access.roles import (
    ALLOWED,
    CASE_OPERATIONS,
    Operation,
    Role,
    permitted,
    sees_every_case,
)

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

# Written out on its own, so that a change of the rules has to be made twice, on purpose.
LOOKING = {"case.list", "case.read", "file.read", "instrument.read", "exercise.read"}
LEARNING = LOOKING | {
    *("case.create", "case.edit", "file.add", "plan.add"),
    *("visit.start", "visit.log", "visit.amend", "exercise.try"),
}
TREATING = LEARNING | {
    *("case.share", "case.export", "case.import", "recall.add"),
    *("instrument.edit", "exercise.set", "statistics.read", "visit.sign"),
}
EXPECTED = {
    "viewer": LOOKING,
    "student": LEARNING,
    "clinician": TREATING,
    "supervisor": TREATING | {"plan.sign"},
    "admin": {"backup.make", "restore", "doctor", "audit.read", "user.list", "user.edit"},
}


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("operation", list(Operation))
def test_every_role_and_operation(role, operation):
    assert permitted([role], operation) == (operation.value in EXPECTED[role.value])


def test_no_role_allows_nothing():
    assert not any(permitted([], operation) for operation in Operation)


def test_every_operation_is_allowed_to_somebody():
    assert set().union(*ALLOWED.values()) == set(Operation)


def test_roles_add_up():
    assert permitted([Role.CLINICIAN, Role.ADMIN], Operation.BACKUP_MAKE)
    assert not permitted([Role.CLINICIAN], Operation.BACKUP_MAKE)


def test_only_supervisors_reach_cases_of_others():
    assert [role for role in Role if sees_every_case([role])] == [Role.SUPERVISOR]


def test_an_admin_reaches_no_case():
    assert not any(permitted([Role.ADMIN], operation) for operation in CASE_OPERATIONS)


@pytest.mark.parametrize(
    ("password", "says"),
    [
        ("short", "5 characters"),
        ("x" * 300, "300 characters"),
        ("aaaaabbbbbcc", "few characters"),
        ("the mirror and Noor", "user name"),
    ],
)
def test_weak_passwords_are_refused_without_showing_them(password, says):
    with pytest.raises(BadInput, match=says) as caught:
        passwords.check_acceptable("noor", password)
    assert password not in str(caught.value)


def test_a_hash_fits_its_password_only():
    kept = passwords.hashed("violet canal lantern")
    assert kept.startswith("$argon2id$")
    assert "violet" not in kept
    assert passwords.is_password(kept, "violet canal lantern")
    assert not passwords.is_password(kept, "violet canal lanterns")
    assert not passwords.is_password("broken", "violet canal lantern")
    assert not passwords.needs_new_hash(kept)


def test_two_hashes_of_one_password_differ():
    assert passwords.hashed("violet canal lantern") != passwords.hashed("violet canal lantern")


def test_four_failures_lock_nothing():
    assert lockout.locked_until([NOW] * 4, NOW) is None


@pytest.mark.parametrize(("failures", "minutes"), [(5, 1), (6, 2), (7, 4), (10, 30), (40, 30)])
def test_locks_double_up_to_half_an_hour(failures, minutes):
    assert lockout.locked_until([NOW] * failures, NOW) == NOW + timedelta(minutes=minutes)


def test_a_lock_ends():
    assert lockout.locked_until([NOW] * 5, NOW + timedelta(minutes=1)) is None
    assert lockout.locked_until([NOW] * 9, NOW + timedelta(hours=1, seconds=1)) is None


def test_a_clock_set_back_opens_no_lock():
    ahead = [NOW + timedelta(days=1)] * 5
    assert lockout.locked_until(ahead, NOW) == NOW + timedelta(minutes=1)


def test_tokens_are_long_and_kept_as_digests():
    token = tokens.new_token()
    assert len(token) >= 43
    assert token != tokens.new_token()
    assert token not in tokens.digest_of(token)


def test_a_form_token_belongs_to_one_session():
    one, other = tokens.new_token(), tokens.new_token()
    assert tokens.is_form_token(one, tokens.form_token(one))
    assert not tokens.is_form_token(other, tokens.form_token(one))
    assert not tokens.is_form_token(one, "")
