"""Exercises by page and by command line: one file, one attempt, one grade. All invented."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest
from nicegui import ui
from nicegui.testing import User
from nicegui.testing.user_simulation import user_simulation
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.errors import BadInput, UnknownName, UnreadableFile, UsageError
from canalwright.records.access.errors import Forbidden
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Role
from canalwright.records.access.users import User as Person
from canalwright.records.errors import NotRecorded
from canalwright.records.store import Store
from canalwright.teaching.drills import drills
from canalwright.teaching.exercises import Attempt, Move
from canalwright.web import exercising, gallery
from canalwright.web.exercising import KeptExercise, Setting
from canalwright.web.gallery import FigureWishes
from canalwright.web.plan_trays import OnHand
from canalwright.web.server import add_pages
from canalwright.web.settings import ServeSettings
from support.pages import elements, field, press, until

MOVES = ("hand-10-02", "hand-15-02", "recapitulate", "engine-20-04", "engine-30-04")


def command(*words: str) -> str:
    result = CliRunner().invoke(app, ["exercise", *words])
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def exercise_file(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("exercise") / "exercise.json"
    command(
        "new", "--title", "One canal", "--invented", "MB=13:35:6:10:0.03", "--patency",
        "hand-08-02", "--seed", "7", "--out", str(path),
    )  # fmt: skip
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    opened = Store.open(tmp_path_factory.mktemp("records"))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def gate(store) -> Gate:
    return Gate(store)


@pytest.fixture(scope="module")
def kept(gate, exercise_file) -> KeptExercise:
    return exercising.keep_exercise(gate, "exercise.json", exercise_file.read_bytes())


def attempt_by(student: str, *names: str) -> Attempt:
    return Attempt(student, (("MB", tuple(Move(name) for name in names)),))


def test_page_and_command_line_give_one_grade(store, kept, exercise_file, tmp_path):
    """The same moves, one by one on the page and at once on the command line."""

    async def told() -> None:
        async with user_simulation() as user:
            add_pages(ServeSettings("127.0.0.1", 8484, store.folder, ("false",)), store)
            await user.open(f"/teach/exercise/{kept.id}")
            await until(user, "No pass yet")
            (await field(user, "Your code")).set_value("s01")
            for number, name in enumerate(MOVES, 1):
                await _make(user, name)
                await until(user, f'<th scope="row" class="right">{number}</th>')
            await press(user, "Hand in")
            await press(user, "Hand it in")
            await until(user, "Grade of s01")

    asyncio.run(told())
    attempt = tmp_path / "attempt.json"
    grade = tmp_path / "grade.json"
    exercise = str(exercise_file)
    command("try", exercise, "--student", "s01", "--moves", f"MB={','.join(MOVES)}",
            "--out", str(attempt))  # fmt: skip
    command("grade", exercise, str(attempt), "--json", str(grade))
    view = exercising.class_of(Gate(store), kept)
    by_page = json.loads(exercising.grades_json(kept, view.grades))
    by_command = json.loads(grade.read_text("utf-8"))
    assert by_page == by_command
    assert by_page["grades"][0]["moments"][4]["move"]["instrument"] == "engine-30-04"


async def _make(user: User, name: str) -> None:
    if name == "recapitulate":
        await press(user, "Recapitulate")
        return
    (choice,) = [one for one in elements(user, ui.select) if one.props["label"] == "Instrument"]
    choice.set_value(name)
    await press(user, "Make this pass")


def test_the_attempt_of_a_page_is_graded_by_the_command_line(kept, exercise_file, tmp_path):
    path, grade = tmp_path / "attempt.json", tmp_path / "grade.json"
    attempt = attempt_by("s07", "hand-15-02", "engine-25-06")
    path.write_bytes(exercising.attempt_json(kept, attempt))
    command("grade", str(exercise_file), str(path), "--json", str(grade))
    by_page = exercising.graded(kept.exercise, attempt)
    assert json.loads(grade.read_text("utf-8")) == json.loads(
        exercising.grades_json(kept, (by_page,))
    )


def test_an_exercise_that_was_downloaded_is_the_same_exercise(gate, kept, tmp_path):
    path, target = tmp_path / "again.json", tmp_path / "attempt.json"
    path.write_bytes(exercising.exercise_json(gate, kept))
    command("try", str(path), "--student", "s09", "--moves", "MB=hand-10-02", "--out", str(target))
    found = exercising.attempt_of(kept, "attempt.json", target.read_bytes())
    assert found.of("MB") == (Move("hand-10-02"),)
    other = target.read_text("utf-8").replace(kept.document.sha256, "0" * 64)
    with pytest.raises(UnreadableFile, match="another exercise"):
        exercising.attempt_of(kept, "attempt.json", other.encode())


def test_an_attempt_counts_once_and_needs_a_code(gate, kept):
    first = attempt_by("s02", "hand-10-02")
    assert exercising.hand_in(gate, kept, first).student == "s02"
    assert exercising.hand_in(gate, kept, first).student == "s02"
    with pytest.raises(BadInput, match="already"):
        exercising.hand_in(gate, kept, attempt_by("s02", "hand-10-02", "hand-15-02"))
    with pytest.raises(BadInput, match="code"):
        exercising.hand_in(gate, kept, attempt_by(" ", "hand-10-02"))
    with pytest.raises(UnknownName):
        exercising.hand_in(gate, kept, attempt_by("s03", "no-such-file"))
    students = [grade.student for grade in exercising.class_of(gate, kept).grades]
    assert students.count("s02") == 1


def test_students_try_and_only_teachers_see_the_class(store, kept):
    student = Gate(store, Person("u1", "student", "", frozenset({Role.STUDENT})))
    viewer = Gate(store, Person("u2", "viewer", "", frozenset({Role.VIEWER})))
    assert [one.id for one in exercising.exercises(student)] == [kept.id]
    exercising.hand_in(student, kept, attempt_by("s04", "hand-10-02"))
    with pytest.raises(Forbidden):
        exercising.class_of(student, kept)
    with pytest.raises(Forbidden):
        exercising.keep_exercise(student, "x", exercising.exercise_json(student, kept))
    with pytest.raises(Forbidden):
        exercising.hand_in(viewer, kept, attempt_by("s05", "hand-10-02"))


SETTING = Setting(
    "Set here", "13", "30", "8", "10", "0,03", "25", "0.04", "3", "hand-08-02", "Shape it."
)


def test_an_exercise_is_set_on_the_page(gate):
    made = exercising.set_exercise(gate, SETTING, OnHand().trays[0])
    found = exercising.exercise_named(gate, made.id)
    assert found.invented
    assert found.exercise.canals[0].length_mm == pytest.approx(13.0, abs=0.05)
    assert (found.exercise.target.size, found.exercise.seed) == (25, 3)
    exercising.withdraw_exercise(gate, made.id, "a test")
    assert made.id not in [one.id for one in exercising.exercises(gate)]
    with pytest.raises(NotRecorded):
        exercising.exercise_named(gate, "nothing")


def test_the_place_asks_drills_and_takes_an_exercise(store, exercise_file):
    asked = drills(3, 1)

    async def told() -> None:
        async with user_simulation() as user:
            add_pages(ServeSettings("127.0.0.1", 8484, store.folder, ("false",)), store)
            await user.open("/teach")
            await until(user, "One canal")
            await press(user, "Make the sheet")
            await until(user, "<b>3.</b>")
            (await field(user, "Answer to 1")).set_value(f"{asked[0].answer:.6f}")
            await press(user, "Check")
            await until(user, "<b>Right.</b>")

    asyncio.run(told())


def test_every_figure_is_shown_and_written():
    for name in gallery.figure_names():
        shown = gallery.shown_figure(FigureWishes(name=name))
        assert shown.svg.startswith("<svg")
        assert shown.invented
        assert len(shown.caption) > 80
    wishes = FigureWishes(name="strain", size="slide", instruments=["hand-20-02", "engine-25-06"])
    assert "engine-25-06" in gallery.shown_figure(wishes).caption
    assert gallery.figure_file(wishes, "png").startswith(b"\x89PNG")
    assert gallery.figure_file(wishes, "pdf").startswith(b"%PDF")
    assert b"<svg" in gallery.figure_file(wishes, "svg")
    assert gallery.figure_file(FigureWishes(name="insertion"), "mp4")[4:8] == b"ftyp"
    with pytest.raises(UsageError, match="moves"):
        gallery.figure_file(wishes, "gif")


def test_two_sequences_of_ones_own_are_drawn():
    wishes = FigureWishes(name="steps", first="hand-15-02; engine-20-04@1,5", second="hand-20-02")
    with pytest.raises(UsageError, match="Sequence A"):
        gallery.shown_figure(wishes)
    wishes.first = "hand-15-02, engine-20-04@1.5"
    caption = gallery.shown_figure(wishes).caption
    assert "A (2 passes)" in caption
    assert "B (1 passes)" in caption or "B (1 pass)" in caption
    wishes.second = ""
    with pytest.raises(UsageError, match="two sequences"):
        gallery.shown_figure(wishes)
