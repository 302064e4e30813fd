"""The command ``canalwright`` and its table of commands."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer
from typer.models import CommandInfo

from canalwright.cli.assess import assess
from canalwright.cli.block import block
from canalwright.cli.calibrate import calibrate
from canalwright.cli.chairside import chairside
from canalwright.cli.cohort import cohort
from canalwright.cli.compare import compare
from canalwright.cli.demo import demo
from canalwright.cli.evaluate import evaluate
from canalwright.cli.exercise import exercise
from canalwright.cli.export_formats import convert
from canalwright.cli.failures import DEBUG_VARIABLE, Commands
from canalwright.cli.figure import figure
from canalwright.cli.instruments import instruments
from canalwright.cli.limits import limits
from canalwright.cli.measure import measure
from canalwright.cli.phantom import phantom
from canalwright.cli.plan import plan
from canalwright.cli.protocols import protocols
from canalwright.cli.records_commands import RECORD_COMMANDS, RECORD_GROUPS
from canalwright.cli.serve import serve
from canalwright.cli.simulate import simulate
from canalwright.cli.step import step
from canalwright.cli.trace import trace
from canalwright.cli.users import users
from canalwright.cli.version import print_version, version

__all__ = ["app", "main"]

_EPILOG = (
    "Exit codes: 0 done, 1 an error in the program, 2 a command put wrongly, 3 data that cannot "
    "be used, 4 no plan within the limits. Levels are mm from the terminus toward the crown; "
    "stations are mm from an instrument's tip."
)

# Command, one line for the list, examples.
_COMMANDS = (
    (demo, "The whole job on an invented tooth", "canalwright demo --out demo-output"),
    (
        measure,
        "Canals in a scan, from two points each",
        "canalwright measure scan/ --canal MB=12.1,-8.0,30.5:10.4,-9.2,19.0 --json canals.json",
    ),
    (
        trace,
        "A canal on a radiograph, from points along it",
        "canalwright trace molar.jpg --points '612,240;600,420;655,610' --known-length-mm 21 "
        "--between 590,40:648,620 --json canals.json",
    ),
    (
        plan,
        "The sequence for a canal, with reasons",
        "canalwright plan canals.json --canal MB --target-size 30 --json plan.json --pdf plan.pdf",
    ),
    (
        chairside,
        "The visit: lengths, stops, motor, irrigation, obturation",
        "canalwright chairside plan.json --tooth 36 --reference 'mesiobuccal cusp' --crown-mm 7 "
        "--reading electronic:20.1 --pdf sheet.pdf --json visit.json",
    ),
    (
        assess,
        "Case difficulty by a published form",
        "canalwright assess --canals canals.json --tooth 36 --factor patient=low --json case.json",
    ),
    (
        limits,
        "The limits of planning, and files of your own",
        "canalwright limits --template my-limits.toml",
    ),
    (
        simulate,
        "A given sequence, state after every step",
        "canalwright simulate canals.json --canal MB --sequence hand-15-02,engine-25-04",
    ),
    (
        evaluate,
        "A canal before and after preparation",
        "canalwright evaluate before/ after/ --canal MB=12.1,-8.0,30.5:10.4,-9.2,19.0 "
        "--json evaluation.json --pdf evaluation.pdf",
    ),
    (
        protocols,
        "Sequences side by side",
        "canalwright protocols canals.json --sequence hand=hand-10-02,hand-15-02 "
        "--sequence engine=hand-10-02,engine-16-02",
    ),
    (
        step,
        "One instrument in the canal as it now is",
        "canalwright step canals.json --canal MB --instrument hand-15-02 --patency hand-10-02",
    ),
    (
        calibrate,
        "Load parameters from a motor's torque log",
        "canalwright calibrate log.csv --canal-file canals.json --canal MB --instrument "
        "engine-25-04 --from-level-mm 6 --advance-s 2:8 --withdrawn-s 13 --json calibration.json",
    ),
    (
        compare,
        "Two instruments, station by station",
        "canalwright compare hand-10-02 engine-16-02 --stations 0,1,3,16",
    ),
    (
        block,
        "A practice block with a canal, for printing",
        "canalwright block --bend 35:6 --size 30 --taper 0.04 --section oval --label R6-35",
    ),
    (
        figure,
        "Figures for lectures, with captions",
        "canalwright figure steps --size slide --out steps.svg",
    ),
    (phantom, "An invented scan and its truth", "canalwright phantom --out phantom --seed 7"),
    (serve, "The workbench in the browser", "canalwright serve --data demo-output"),
    (version, "Print the version", "canalwright version"),
)

app = typer.Typer(
    name="canalwright",
    cls=Commands,
    help="Measure root canals in a scan, know instruments station by station, and plan shaping "
    "level by level.",
    epilog=_EPILOG,
    no_args_is_help=True,
    # Plain help text: loading the rich renderer would double the time to answer --help.
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
for _function, _short, _example in _COMMANDS:
    app.command(short_help=_short, epilog=f"Example: {_example}")(_function)
for _command, _name, _short, _example in RECORD_COMMANDS:
    app.command(_name, short_help=_short, epilog=f"Example: {_example}")(_command)
for _group, _name, _short in RECORD_GROUPS:
    app.add_typer(_group, name=_name, short_help=_short)
app.command(
    "replan",
    short_help="Plan again from where the treatment stands",
    help="Plan again in the middle of a treatment, from the canal as what was done leaves it. Say "
    "what was taken in with --done, in order; an instrument that stopped 2 mm short is "
    "engine-25-04@2. Add what happened: a ledge or block that nothing passes (--block-level-mm), "
    "an instrument that must not be used again (--discard), a corrected length "
    "(--working-length-mm). The canal now is computed, not measured. All other options are those "
    "of 'plan'.",
    epilog="Examples: canalwright replan canals.json --canal MB --done hand-15-02,engine-25-04@2; "
    "canalwright replan canals.json --canal MB --done hand-15-02 --block-level-mm 3.5 --discard "
    "engine-25-04",
)(plan)
app.add_typer(
    instruments, name="instruments", short_help="Instruments and trays: list, show, check, import"
)
app.add_typer(
    cohort, name="cohort", short_help="Many specimens, or protocols over many virtual canals"
)
app.add_typer(
    convert, name="convert", short_help="DICOM SEG and SR, FHIR, surfaces, tables: out and in"
)
app.add_typer(exercise, name="exercise", short_help="Exercises, grading and drills for students")
app.add_typer(users, name="users", short_help="Users of the records, and who looked at what")


@app.callback()
def options(
    debug: Annotated[
        bool, typer.Option("--debug", help="Show the traceback of an error instead of a sentence.")
    ] = False,
    show_version: Annotated[
        bool,
        typer.Option("--version", help="Print the version.", is_eager=True, callback=print_version),
    ] = False,
) -> None:
    """Set what holds for every command."""
    del show_version
    if debug:
        os.environ[DEBUG_VARIABLE] = "1"


def main() -> None:
    """Run the command line."""
    _keep_only(next((word for word in sys.argv[1:] if word != "--debug"), ""))
    app()


def _keep_only(name: str) -> None:
    """Drop all commands but one that exists: to build the others' options takes a while."""
    commands = [info for info in app.registered_commands if _name_of(info) == name]
    groups = [info for info in app.registered_groups if info.name == name]
    if commands or groups:
        app.registered_commands, app.registered_groups = commands, groups


def _name_of(info: CommandInfo) -> str:
    return info.name or (info.callback.__name__ if info.callback else "")
