"""``canalwright exercise``: set an exercise, try it, grade it, a class; numeric drills."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.canals import choose_canals, patency_pass
from canalwright.cli.goals import target_of
from canalwright.cli.load_options import read_fatigue_test
from canalwright.cli.made_files import report_files
from canalwright.cli.options import (
    CoronalLimitMm,
    JsonFile,
    Patency,
    TargetSize,
    TargetTaper,
    TrayFile,
)
from canalwright.cli.output import announce, invented_notice, print_cautions, print_text
from canalwright.cli.reading import read_named_sequences, read_numbers, split_names
from canalwright.cli.trays import choose_tray, tray_inputs
from canalwright.cli.writing import check_targets, write_document
from canalwright.errors import MalformedText, UsageError

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.teaching.course import CanalCourse
    from canalwright.teaching.drills import Drill
    from canalwright.teaching.exercises import Move
    from canalwright.teaching.rubric import Rubric

__all__ = ["exercise"]

exercise = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Exercises: set one, try it pass by pass, grade it, a whole class; numeric drills.",
)

ExerciseFile = Annotated[
    Path, typer.Argument(metavar="EXERCISE", help="An exercise@1 document, as 'new' writes it.")
]


@exercise.command(
    "new",
    short_help="Set an exercise",
    epilog="Example: canalwright exercise new --title 'Curved canal' --invented MB=14:35:6:10:0.03 "
    "--patency hand-08-02 --seed 7 --out exercise.json",
)
def new(
    title: Annotated[str, typer.Option(metavar="TEXT", help="What it is called.")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="The exercise, one file.")],
    text: Annotated[str, typer.Option(metavar="TEXT", help="What is asked.")] = "",
    canals: Annotated[
        Path | None, typer.Option("--canals", metavar="CANALS", help="A canals@1 document.")
    ] = None,
    canal: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Which canals of it; all by default.")
    ] = None,
    invented: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=LENGTH:ANGLE:RADIUS:SIZE:TAPER",
            help="An invented canal: mm, degrees, mm, 1/100 mm, mm/mm; may be repeated.",
        ),
    ] = None,
    tray: TrayFile = "standard",
    target_size: TargetSize = 30,
    target_taper: TargetTaper = 0.04,
    coronal_limit_mm: CoronalLimitMm = None,
    patency: Patency = None,
    rubric: Annotated[
        list[str] | None,
        typer.Option(
            metavar="MEASURE=POINTS:BEST:WORST",
            help="A line of the rubric in place of the usual ones; may be repeated.",
        ),
    ] = None,
    fatigue_test: Annotated[
        str | None,
        typer.Option(metavar="STRAIN:CYCLES", help="Assumed for every engine-driven instrument."),
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Of what is drawn.")] = 0,
    json: JsonFile = None,
) -> None:
    """Set an exercise: canals, tray, target, rubric and seed in one file."""
    from canalwright.exchange.exercises import exercise_document
    from canalwright.teaching.consequences import ASSUMED_FATIGUE_TEST
    from canalwright.teaching.exercises import Exercise
    from canalwright.teaching.rubric import DEFAULT_RUBRIC

    check_targets(out, json, inputs=() if canals is None else (canals,))
    if (canals is None) == (not invented):
        raise UsageError("Give canals, either measured (--canals) or made up (--invented).")
    found, inputs = _canals(canals, canal or [], invented or [])
    chosen = choose_tray(tray)
    set_ = Exercise(
        title=title,
        text=text,
        canals=found,
        tray=chosen,
        target=target_of(target_size, target_taper, coronal_limit_mm),
        seed=seed,
        patency=patency_pass(patency, 1.0, 0.01, chosen.instruments),
        rubric=_rubric(rubric) if rubric else DEFAULT_RUBRIC,
        fatigue_test=read_fatigue_test(fatigue_test)[1:] if fatigue_test else ASSUMED_FATIGUE_TEST,
    )
    document = exercise_document(set_, {**inputs, **tray_inputs(tray)})
    write_document(document, str(out))
    report_files(json, "exercise new", [out], inputs={"seed": seed}, invented=document.invented)


def _canals(
    path: Path | None, names: list[str], invented: list[str]
) -> tuple[tuple[Canal, ...], dict[str, Any]]:
    if path is None:
        return tuple(_invented(text) for text in invented), {"invented": list(invented)}
    from canalwright.exchange.inputs import document_input

    chosen = choose_canals(path, split_names(names))
    return tuple(c.canal for c in chosen), {"canals": document_input(path, chosen[0].document)}


def _invented(text: str) -> Canal:
    from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal

    name, numbers = _named_numbers(text, "--invented", 5, "MB=14:35:6:10:0.03")
    length, angle, radius, size, taper = numbers
    bends = (Bend(angle, radius),) if angle else ()
    return designed_canal(CanalDesign(length, bends, 1.5, round(size), taper, name=name))


def _rubric(texts: list[str]) -> Rubric:
    from canalwright.teaching.rubric import Criterion, Rubric

    lines = [_named_numbers(one, "--rubric", 3, "target_percent=30:100:50") for one in texts]
    return Rubric(tuple(Criterion(name, *numbers) for name, numbers in lines))


def _named_numbers(
    text: str, option: str, count: int, example: str
) -> tuple[str, tuple[float, ...]]:
    name, equals, listed = text.partition("=")
    if not equals or not name.strip():
        raise MalformedText(name=option, got=text, expected=f"of the form {example}")
    numbers = read_numbers(listed.replace(":", ","), name=option, count=count, example=example)
    return name.strip(), numbers


@exercise.command(
    "show",
    short_help="What an exercise asks",
    epilog="Example: canalwright exercise show exercise.json",
)
def show(path: ExerciseFile, json: JsonFile = None) -> None:
    """Print canals, tray, target, rubric, and what is assumed about chances."""
    from canalwright.cli.exercise_tables import print_exercise
    from canalwright.exchange.document import read_document
    from canalwright.exchange.exercises import ExerciseDocument, read_exercise
    from canalwright.teaching.grading import TEACHING_MODEL

    found, _ = read_exercise(path)
    if json is not None:
        write_document(read_document(path, ExerciseDocument), json)
    if json != "-":
        print_exercise(found)
    invented_notice(any(one.provenance.invented for one in found.canals))
    print_cautions((TEACHING_MODEL,))


@exercise.command(
    "try",
    short_help="Make passes and see what they bring about",
    epilog="Example: canalwright exercise try exercise.json --student s01 --moves "
    "MB=hand-10-02,hand-15-02,recapitulate,engine-20-04 --out attempt.json; then go on with "
    "--continue attempt.json --moves MB=engine-25-04 --out attempt.json",
)
def try_(
    path: ExerciseFile,
    moves: Annotated[
        list[str],
        typer.Option(
            metavar="CANAL=ID,ID@LEVEL,…",
            help="Instruments in order, or 'recapitulate'; once for every canal.",
        ),
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="The attempt.")],
    student: Annotated[
        str | None, typer.Option(metavar="CODE", help="A code that names nobody.")
    ] = None,
    go_on: Annotated[
        Path | None,
        typer.Option("--continue", metavar="FILE", help="An attempt to add these moves to."),
    ] = None,
    json: JsonFile = None,
) -> None:
    """Plan a whole sequence, or shape pass by pass and go on after each.

    The same moves always bring about the same: what is drawn depends on the exercise's seed, the
    canal and the number of the move.
    """
    from canalwright.cli.exercise_tables import print_courses
    from canalwright.exchange.exercises import attempt_document, read_attempt, read_exercise
    from canalwright.teaching.course import carried_out
    from canalwright.teaching.exercises import Attempt
    from canalwright.teaching.grading import TEACHING_MODEL

    check_targets(out, json, inputs=(path,))
    if (student is None) == (go_on is None):
        raise UsageError(
            "Give --student CODE for a new attempt, or --continue FILE for an old one."
        )
    found, digest = read_exercise(path)
    attempt = Attempt(str(student), ()) if go_on is None else read_attempt(go_on, digest)
    for name, listed in read_named_sequences(moves).items():
        attempt = attempt.with_moves(name, _moves(listed))
    courses = carried_out(found, attempt)
    if json != "-":
        print_courses(courses)
    write_document(attempt_document(attempt, digest), str(out))
    invented = any(one.provenance.invented for one in found.canals)
    invented_notice(invented)
    cautions = (TEACHING_MODEL,)
    print_cautions(cautions)
    report_files(
        json, "exercise try", [out], details=_told(courses), cautions=cautions, invented=invented
    )


def _told(courses: tuple[CanalCourse, ...]) -> dict[str, Any]:
    from canalwright.exchange.exercises import moment_records

    return {"moments": [one.model_dump(mode="json") for one in moment_records(courses)]}


def _moves(listed: tuple[Any, ...]) -> tuple[Move, ...]:
    from canalwright.teaching.exercises import Move

    return tuple(Move(at.instrument, at.to_level_mm) for at in listed)


@exercise.command(
    "grade",
    short_help="Grade one attempt, every point explained",
    epilog="Example: canalwright exercise grade exercise.json attempt.json --json grade.json",
)
def grade(
    path: ExerciseFile,
    attempt: Annotated[Path, typer.Argument(metavar="ATTEMPT", help="An attempt@1 document.")],
    json: JsonFile = None,
) -> None:
    """Carry the moves out again and grade them by the rubric of the exercise."""
    _graded(path, [attempt], json, one=True)


@exercise.command(
    "class",
    short_help="Grade many attempts side by side",
    epilog="Example: canalwright exercise class exercise.json attempts/*.json --json grades.json",
)
def class_(
    path: ExerciseFile,
    attempts: Annotated[
        list[Path], typer.Argument(metavar="ATTEMPT…", help="attempt@1 documents.")
    ],
    json: JsonFile = None,
) -> None:
    """Grade a class: points per measure, mean, spread, and what was missed most."""
    _graded(path, attempts, json, one=False)


def _graded(path: Path, attempts: list[Path], json: str | None, *, one: bool) -> None:
    from canalwright.cli.exercise_tables import print_class, print_courses, print_grade
    from canalwright.exchange.exercises import grades_document, read_attempt, read_exercise
    from canalwright.teaching.grading import TEACHING_MODEL, class_results
    from canalwright.teaching.grading import grade as graded

    check_targets(json, inputs=(path, *attempts))
    found, digest = read_exercise(path)
    grades = [graded(found, read_attempt(attempt, digest)) for attempt in attempts]
    if json is not None:
        write_document(grades_document(found, digest, grades), json)
    if json != "-" and one:
        print_courses(grades[0].courses)
        print_grade(grades[0])
    elif json != "-":
        print_class(class_results(grades), found.title)
    invented_notice(any(canal.provenance.invented for canal in found.canals))
    print_cautions((TEACHING_MODEL,))


@exercise.command(
    "drill",
    short_help="Questions with one right number",
    epilog="Examples: canalwright exercise drill --seed 3 --count 6; canalwright exercise drill "
    "step --seed 3 --answer 17",
)
def drill(
    kind: Annotated[
        str, typer.Argument(metavar="KIND", help="step, diameter, remaining-life, or all.")
    ] = "all",
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Which drills.")] = 0,
    count: Annotated[int, typer.Option(metavar="N", help="How many, 1 to 100.")] = 1,
    answer: Annotated[
        float | None, typer.Option(metavar="NUMBER", help="Your answer to one drill.")
    ] = None,
    solutions: Annotated[bool, typer.Option("--solutions", help="Print the way to each.")] = False,
    json: JsonFile = None,
) -> None:
    """Print drills; the same seed gives the same ones."""
    from canalwright.cli.records_output import answer as say
    from canalwright.teaching.drills import drills

    if answer is not None and count != 1:
        raise UsageError("--answer goes with one drill; leave --count out.")
    drawn = drills(count, seed, "" if kind == "all" else kind)
    told = [_told_drill(one, answer, solutions or answer is not None) for one in drawn]
    if say(json, "drills", {"seed": seed, "drills": told}):
        for number, one in enumerate(told, 1):
            print_text(f"{number}. {one['question']}")
            if "right" in one:
                print_text("   Right." if one["right"] else "   Not right.")
            if "solution" in one:
                print_text(f"   {one['solution']}")
    announce("Drills are for learning: nominal sizes and assumed tests, nothing about a patient.")


def _told_drill(one: Drill, answer: float | None, solved: bool) -> dict[str, Any]:
    told: dict[str, Any] = {"question": one.question, "unit": one.unit}
    if answer is not None:
        told["right"] = one.right(answer)
    if solved:
        told |= {"answer": one.answer, "tolerance": one.tolerance, "solution": _solution(one)}
    return told


def _solution(one: Drill) -> str:
    return f"{one.answer:.4g} {one.unit} (± {one.tolerance:.2g}). {one.solution}"
