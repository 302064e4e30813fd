"""``canalwright stats``: times, mishaps, survival of instruments, outcomes, charts."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import FiguresFolder, JsonFile
from canalwright.cli.output import announce, invented_notice, print_text
from canalwright.cli.records_options import DatabaseUrl, DataFolder, opened, today
from canalwright.cli.records_output import answer, print_rows, short_cautions
from canalwright.errors import UnknownName

if TYPE_CHECKING:
    from canalwright.records.charts import FunnelChart, RunChart
    from canalwright.records.statistics import MishapRate, Share, TimeGroup, TreatedCanal
    from canalwright.records.survival import OutcomeGroup, SurvivalCurve

__all__ = ["stats"]

_KEYS = ("sequence", "difficulty", "operator", "month")


@dataclass(frozen=True, eq=False)
class _Found:
    canals: list[TreatedCanal]
    times: list[TimeGroup]
    rates: list[MishapRate]
    survival: list[SurvivalCurve]
    outcomes: list[OutcomeGroup]
    run: RunChart
    funnel: FunnelChart


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
    content: dict[str, Any] = {**_tables(found)}
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
) -> _Found:
    from canalwright.records.charts import funnel_chart, run_chart
    from canalwright.records.lives import lives
    from canalwright.records.statistics import mishap_rates, shaping_times, treated_canals
    from canalwright.records.survival import instrument_survival, outcomes

    method: Any = "exact" if exact else "wilson"
    with opened(data, database) as store, store.reading() as reading:
        canals = treated_canals(reading, since=span[0], until=span[1], invented=invented)
        survival = instrument_survival(lives(reading, today=today()))
        judged = outcomes(reading, invented=invented, method=method)
    return _Found(
        canals=canals,
        times=shaping_times(canals, by),
        rates=mishap_rates(canals, by, method=method),
        survival=survival,
        outcomes=judged,
        run=run_chart(canals),
        funnel=funnel_chart(canals, by),
    )


def _tables(found: _Found) -> dict[str, list[dict[str, Any]]]:
    return {
        "canals": [asdict(one) for one in found.canals],
        "times": [asdict(one) for one in found.times],
        "mishaps": [
            {"group": r.group, "mishap": str(r.mishap), **asdict(r.canals)} for r in found.rates
        ],
        "outcomes": [
            {"from_months": o.from_months, "to_months": o.to_months, **o.counts,
             **_share_columns("healed_strict", o.healed_strict),
             **_share_columns("healed_loose", o.healed_loose)}
            for o in found.outcomes
        ],
        "survival_points": [
            {"instrument": c.name, "unit": c.unit, "used": t, "sound": s, "low": low, "high": high}
            for c in found.survival
            for t, s, low, high in zip(c.time, c.survival, c.low, c.high, strict=True)
        ],
    }  # fmt: skip


def _share_columns(name: str, share: Share | None) -> dict[str, Any]:
    values = (None,) * 4 if share is None else (share.of, share.share, share.low, share.high)
    return dict(zip((f"{name}_of", name, f"{name}_low", f"{name}_high"), values, strict=True))


def _write_csv(found: _Found, folder: Path) -> None:
    from canalwright.exchange.files import StagedFiles, require_folder
    from canalwright.exchange.records import plain
    from canalwright.records.case_folder import csv_text

    require_folder(folder)
    with StagedFiles() as staged:
        for name, rows in _tables(found).items():
            if rows:
                content = csv_text(list(rows[0]), [plain(row) for row in rows])
                staged.write_text(str(folder / f"{name}.csv"), content)
    announce(f"wrote tables into {folder}")


def _write_figures(found: _Found, folder: Path, invented: bool) -> None:
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


def _print(found: _Found, by: str) -> None:
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
