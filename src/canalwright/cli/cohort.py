"""``canalwright cohort``: many specimens evaluated, or protocols over many virtual canals."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from canalwright.cli.load_options import FatigueTests, LoadParametersFile, LoadValues
from canalwright.cli.options import JsonFile, TrayFile
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_table,
    print_text,
    progress_bar,
    text_table,
)
from canalwright.cli.reading import read_named_sequences, read_numbers
from canalwright.cli.writing import check_targets, write_document
from canalwright.errors import MalformedText

if TYPE_CHECKING:
    from canalwright.cohort.evaluating import CohortResult
    from canalwright.cohort.populations import Population
    from canalwright.cohort.running import Executor
    from canalwright.cohort.study import Study

__all__ = ["cohort"]

DEFAULT_PROTOCOLS = (
    "hand, step back=hand-10-02,hand-15-02,hand-20-02,hand-25-02,hand-30-02@1,hand-35-02@2",
    "engine, small steps=hand-10-02,hand-15-02,engine-20-04,engine-25-04,engine-30-04",
    "engine, large steps=hand-10-02,hand-15-02,engine-25-06@5,engine-20-04,engine-25-06",
)


class _Group(TyperGroup):
    """A group whose first word may be a table: ``cohort TABLE.csv`` is ``cohort evaluate``."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put ``evaluate`` in front of anything that is not a command."""
        asks = {"-h", "--help"}
        if args and args[0] not in self.commands and args[0] not in asks:
            args = ["evaluate", *args]
        return super().parse_args(ctx, args)


cohort = typer.Typer(
    cls=_Group,
    help="Evaluate a table of specimens, or compare protocols over virtual canals; on this "
    "machine or on a cluster. 'canalwright cohort TABLE.csv --out DIR' evaluates.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Out = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Folder for results; runs go on in it.")
]
Workers = Annotated[
    int,
    typer.Option(metavar="N", help="Processes on this machine; 0 works in this one."),
]
Scheduler = Annotated[
    str,
    typer.Option(metavar="ADDRESS", help="A running Dask scheduler, such as tcp://host:8786."),
]
MemoryGb = Annotated[
    float, typer.Option("--memory-gb", metavar="GB", help="Largest memory of each process here.")
]


@cohort.command(
    "evaluate",
    short_help="Rows of before/after scans or canals",
    epilog="Example: canalwright cohort evaluate specimens.csv --out cohort --workers 2",
)
def evaluate_table(
    table: Annotated[
        Path,
        typer.Argument(
            metavar="TABLE.csv",
            help="A row per specimen: id, before, and as needed after, canal, group, pair, align, "
            "spacing, tolerance_mm, intended_level_mm; other columns are covariates.",
        ),
    ],
    out: Out,
    workers: Workers = 0,
    scheduler: Scheduler = "",
    memory_gb: MemoryGb = 1.5,
    seed: Annotated[
        int, typer.Option(metavar="N", help="Of the draws behind standard deviations.")
    ] = 0,
    json: JsonFile = None,
) -> None:
    """Evaluate every row of a table, and compare groups; finished rows are kept and not redone."""
    from canalwright.cohort.evaluating import evaluate_cohort
    from canalwright.cohort.table import read_table

    check_targets(json, inputs=(table,), folder=out)
    executor = _executor(workers, scheduler, memory_gb)
    rows = read_table(table)
    with progress_bar(f"Evaluating {len(rows.rows)} specimens") as progress:
        result = evaluate_cohort(
            rows,
            out,
            executor,
            seed=seed,
            progress=progress,
            on_dashboard=_say_dashboard,
            on_failure=lambda name, reason: announce(f"{name} failed: {reason}"),
        )
    _write_evaluation(result, table, out, json)


def _write_evaluation(result: CohortResult, table: Path, out: Path, json: str | None) -> None:
    from canalwright.cohort.evaluation_output import (
        cohort_cautions,
        cohort_report,
        group_statistics,
        write_cohort,
    )
    from canalwright.exchange.cohorts import CohortDocument
    from canalwright.exchange.document import read_document
    from canalwright.exchange.inputs import file_digest

    inputs = {
        "table": {"source": str(table), "sha256": file_digest(table)},
        "rows": {row.id: row.key for row in result.rows},
        "seed": result.seed,
    }
    with progress_bar("Writing tables and reports"):
        write_cohort(result, out, inputs)
    if json is not None:
        write_document(read_document(out / "cohort.json", CohortDocument), json)
    report = cohort_report(result, group_statistics(result))
    reused = sum(row.reused for row in result.rows)
    if json != "-":
        for text in report.sentences:
            print_text(text)
        for content in report.tables:
            print_table(text_table(content))
    announce(f"{reused} of {len(result.rows)} rows were kept from an earlier run")
    announce(f"wrote {out}")
    invented_notice(report.invented)
    print_cautions(cohort_cautions(result))


@cohort.command(
    "population",
    short_help="Protocols over virtual canals",
    epilog="Example: canalwright cohort population --out study --count 10000 --workers 2 "
    "--protocol 'small steps=hand-10-02,hand-15-02,engine-20-04,engine-25-04' "
    "--protocol 'one file=hand-10-02,hand-15-02,engine-25-06' --fatigue-test 4%:500",
)
def population_study(
    out: Out,
    population: Annotated[
        str, typer.Option(metavar="NAME", help="Which canals; '?' lists them.")
    ] = "lower-molar-mesiobuccal",
    count: Annotated[int, typer.Option(metavar="N", help="How many canals.")] = 10_000,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the canals.")] = 0,
    protocol: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=ID,ID@LEVEL,…",
            help="A protocol and its name; repeat it. Three common ones by default.",
        ),
    ] = None,
    value: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=X,X,…",
            help="Other values for a quantity of the population, such as "
            "wall_min_mm=1.13,0.21,0.67,1.93; may be repeated.",
        ),
    ] = None,
    tray: TrayFile = "standard",
    load_parameters: LoadParametersFile = None,
    fatigue_test: FatigueTests = None,
    load_value: LoadValues = None,
    workers: Workers = 0,
    scheduler: Scheduler = "",
    memory_gb: MemoryGb = 1.5,
    json: JsonFile = None,
) -> None:
    """Compare protocols over virtual canals drawn from published distributions."""
    from canalwright.cohort.study import Study

    if population == "?":
        _list_populations()
        return
    check_targets(json, folder=out)
    executor = _executor(workers, scheduler, memory_gb)
    study = Study(
        population=_population(population, value or []),
        protocols=_protocols(protocol, tray),
        parameters=_parameters(load_parameters, fatigue_test, load_value, tray),
        count=count,
        seed=seed,
    )
    _run(study, out, executor, json)


def _run(study: Study, out: Path, executor: Executor, json: str | None) -> None:
    from canalwright.cohort.population_output import POPULATION_CAUTIONS, write_population
    from canalwright.cohort.study import run_study
    from canalwright.errors import BadInput
    from canalwright.exchange.cohorts import PopulationDocument
    from canalwright.exchange.document import read_document

    with progress_bar(f"Shaping {study.count} canals") as progress:
        run = run_study(study, out, executor, progress=progress, on_dashboard=_say_dashboard)
    if run.failed:
        name, reason = run.failed[0]
        raise BadInput(
            f"{len(run.failed)} parts of the study could not be computed, the first ({name}): "
            f"{reason} What was finished is kept; run the command again."
        )
    with progress_bar("Writing tables and reports"):
        write_population(study, run, out, {"key": study.key, "protocols": len(study.protocols)})
    document = read_document(out / "population.json", PopulationDocument)
    if json is not None:
        write_document(document, json)
    if json != "-":
        _print_study(study, run)
    announce(f"{run.reused} of {len(run.parts)} parts were kept from an earlier run")
    announce(f"wrote {out}")
    invented_notice(True)
    print_cautions(POPULATION_CAUTIONS)


def _print_study(study: Study, run: Any) -> None:
    from canalwright.cohort.comparison import differences, distributions
    from canalwright.cohort.population_output import compared_tables

    names = [name for name, _ in study.protocols]
    spread, change = distributions(run.parts, names), differences(run.parts, names)
    for content in compared_tables(spread, change):
        print_table(text_table(content))


def _executor(workers: int, scheduler: str, memory_gb: float) -> Executor:
    from canalwright.cohort.running import Executor

    return Executor(workers=workers, scheduler=scheduler, memory_gb=memory_gb)


def _say_dashboard(address: str) -> None:
    announce(f"Dashboard: {address}")


def _population(name: str, values: list[str]) -> Population:
    from canalwright.cohort.populations import population

    found = population(name)
    for text in values:
        quantity, equals, numbers = text.partition("=")
        if not equals:
            raise MalformedText(name="--value", got=text, expected="NAME=X,X,…")
        stated = read_numbers(numbers, name=f"--value {quantity}", example="1.13,0.21,0.67,1.93")
        found = found.with_values(quantity.strip(), stated)
    return found


def _protocols(listed: list[str] | None, tray: str) -> tuple[tuple[str, Any], ...]:
    from canalwright.cli.canals import passes_of
    from canalwright.cli.trays import own_instruments

    named = read_named_sequences(list(listed or DEFAULT_PROTOCOLS))
    own = own_instruments(tray)
    return tuple((name, passes_of(at, own)) for name, at in named.items())


def _parameters(
    file: Path | None, tests: list[str] | None, values: list[str] | None, tray: str
) -> Any:
    from canalwright.cli.load_options import load_options
    from canalwright.cli.trays import own_instruments

    return load_options(file, tests or (), values or (), own_instruments(tray)).parameters


def _list_populations() -> None:
    from canalwright.cohort.populations import POPULATIONS

    for one in POPULATIONS.values():
        print_text(f"{one.name}: {one.title}")
        for quantity in one.quantities:
            values = ", ".join(f"{v:g}" for v in quantity.values)
            origin = "; ".join(filter(None, (str(quantity.evidence), quantity.source)))
            print_text(f"  {quantity.name} = {values} ({quantity.meaning}) [{origin}]")
