"""``canalwright stats``: times, mishaps, survival of instruments, outcomes, charts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import FiguresFolder, JsonFile
from canalwright.cli.output import announce, invented_notice, print_text
from canalwright.cli.records_options import DatabaseUrl, DataFolder, opened, today
from canalwright.cli.records_output import answer, print_rows, short_cautions
from canalwright.errors import UnknownName

if TYPE_CHECKING:
    from canalwright.records.practice import PracticeStatistics
    from canalwright.records.statistics import Share

__all__ = ["stats"]

_KEYS = ("sequence", "difficulty", "operator", "month")


def stats(
    by: Annotated[
        str, typer.Option(metavar="KEY", help="sequence, difficulty, operator or month.")
    ] = "difficulty",
    since: Annotated[str, typer.Option(metavar="DATE", help="Only visits from this day on.")] = "",
    until: Annotated[str, typer.Option(metavar="DATE", help="Only visits up to this day.")] = "",
    exact: Annotated[
        bool, typer.Option("--exact", help="Exact intervals in place of the score interval.")
    ] = False,
    invented: Annotated[
        bool, typer.Option("--invented", help="Count invented cases, and these alone.")
    ] = False,
    csv: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write the tables as CSV into this folder.")
    ] = None,
    figures: FiguresFolder = None,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Statistics of the practice: shaping times, mishaps, survival of instruments, outcomes."""
    from canalwright.records.statistics import STATISTICS_CAUTIONS
    from canalwright.records.visits import checked_date

    if by not in _KEYS:
        raise UnknownName(kind="grouping", got=by, known=_KEYS)
    span = (checked_date(since, "--since"), checked_date(until, "--until"))
    found = _compute(data, database, by, span, exact, invented)
    if csv is not None:
        _write_csv(found, csv)
    if figures is not None:
        _write_figures(found, figures, invented)
    content: dict[str, Any] = {**found.tables()}
    content |= {"run": found.run, "funnel": found.funnel, "survival": found.survival}
    if answer(json, "statistics", content, cautions=STATISTICS_CAUTIONS, invented=invented):
        _print(found, by)
    invented_notice(invented)
    short_cautions(STATISTICS_CAUTIONS)


def _compute(
    data: Path | None,
    database: str | None,
    by: Any,
    span: tuple[str, str],
    exact: bool,
    invented: bool,
) -> PracticeStatistics:
    from canalwright.records.practice import practice_statistics

    with opened(data, database) as store, store.reading() as reading:
        return practice_statistics(
            reading,
            by,
            since=span[0],
            until=span[1],
            invented=invented,
            method="exact" if exact else "wilson",
            today=today(),
        )


def _write_csv(found: PracticeStatistics, folder: Path) -> None:
    from canalwright.exchange.files import StagedFiles, require_folder
    from canalwright.exchange.records import plain
    from canalwright.records.case_folder import csv_text

    require_folder(folder)
    with StagedFiles() as staged:
        for name, rows in found.tables().items():
            if rows:
                content = csv_text(list(rows[0]), [plain(row) for row in rows])
                staged.write_text(str(folder / f"{name}.csv"), content)
    announce(f"wrote tables into {folder}")


def _write_figures(found: PracticeStatistics, folder: Path, invented: bool) -> None:
    from canalwright.cli.pictures import stage_figure
    from canalwright.exchange.files import StagedFiles
    from canalwright.reports.statistics_figure import funnel_figure, run_figure, survival_figure

    drawn = {"funnel": funnel_figure(found.funnel, invented=invented)}
    if len(found.run.values):
        drawn["run"] = run_figure(found.run, invented=invented)
    if any(curve.failed_count for curve in found.survival):
        drawn["survival"] = survival_figure(found.survival, invented=invented)
    with StagedFiles() as staged:
        written = [
            path
            for name, figure in drawn.items()
            for path in stage_figure(staged, figure, folder, f"statistics-{name}")
        ]
    for path in written:
        announce(f"wrote {path}")


def _print(found: PracticeStatistics, by: str) -> None:
    if not found.canals:
        print_text("No instrumented canal is recorded in this span.")
    print_rows(
        f"Time at work per canal, by {by}",
        ((by, "text"), ("canals", "right"), ("lower quartile s", "right"), ("median s", "right"),
         ("upper quartile s", "right")),
        [(t.group, t.canals, t.low_quartile_s, t.median_s, t.high_quartile_s) for t in found.times],
        empty="No canal has all its times logged.",
    )  # fmt: skip
    print_rows(
        f"Canals with a mishap, by {by}; 95 % intervals",
        ((by, "text"), ("mishap", "left"), ("canals", "right"), ("%", "right"),
         ("from %", "right"), ("to %", "right")),
        [(r.group, r.mishap, f"{r.canals.count} of {r.canals.of}",
          *(f"{100 * x:.1f}" for x in (r.canals.share, r.canals.low, r.canals.high)))
         for r in found.rates if r.canals.count],
        empty="No mishap is recorded; that is no proof that there was none.",
    )  # fmt: skip
    print_rows(
        "Instruments sound after so many canals (product-limit estimate, 95 % intervals)",
        (("instrument", "left"), ("canals", "right"), ("sound %", "right"), ("from %", "right"),
         ("to %", "right"), ("failed", "right")),
        [(c.name, t, *(f"{100 * x:.1f}" if x == x else "" for x in (s, low, high)),
          f"{c.failed_count} of {c.count}")
         for c in found.survival
         for t, s, low, high in zip(c.time, c.survival, c.low, c.high, strict=True)],
        empty="No instrument is recorded as deformed or separated.",
    )  # fmt: skip
    print_rows(
        "Outcome by months since the last visit",
        (("months", "left"), ("judged", "right"), ("healed %", "right"),
         ("healed or healing %", "right")),
        [(f"{o.from_months} to {o.to_months}", o.healed_strict.of, _percent(o.healed_strict),
          _percent(o.healed_loose)) for o in found.outcomes if o.healed_strict],
        empty="No outcome is recorded.",
    )  # fmt: skip


def _percent(share: Share | None) -> str:
    if share is None:
        return ""
    return f"{100 * share.share:.0f} ({100 * share.low:.0f} to {100 * share.high:.0f})"
