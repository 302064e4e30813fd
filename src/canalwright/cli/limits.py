"""``canalwright limits``: the limits of planning with their origins, and files of one's own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce, print_table, table
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.exchange.limits import LimitProfile

__all__ = ["limits"]


def limits(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="A file of your own limits, to check and show."),
    ] = None,
    template: Annotated[
        str | None,
        typer.Option(
            metavar="FILE", help="Write all default limits as a TOML file to start from ('-' too)."
        ),
    ] = None,
    json: JsonFile = None,
) -> None:
    """Show the limits that planning keeps, each with where it comes from.

    To set limits of your own: write a template, change values in it, check it with this command,
    and give it to 'plan --limits'. What the file leaves out keeps its default.
    """
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.limits import LimitProfile, limits_template, read_limits
    from canalwright.planning.types import Limits

    check_targets(json, template, inputs=(file,) if file else ())
    profile = read_limits(file) if file else LimitProfile("defaults", Limits(), ())
    with StagedFiles() as staged:
        if template is not None:
            staged.write_text(template, limits_template())
        if json is not None:
            staged.write_text(json, _json(profile))
    if "-" not in (json, template):
        _print(profile)
    for target in (template, json):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _json(profile: LimitProfile) -> str:
    from canalwright import __version__
    from canalwright.exchange.layout import json_text
    from canalwright.exchange.limits import LIMITS_SCHEMA
    from canalwright.exchange.plans import limit_records

    records = limit_records(profile.limits)
    return json_text(
        {
            "schema": LIMITS_SCHEMA,
            "version": __version__,
            "name": profile.name,
            "inputs": {"stated": list(profile.stated)},
            "cautions": [],
            "limits": {name: one.model_dump(mode="json") for name, one in records.items()},
        }
    )


def _print(profile: LimitProfile) -> None:
    from dataclasses import fields

    from canalwright.reports.text import limit_label

    rows = []
    for one in fields(profile.limits):
        graded = getattr(profile.limits, one.name)
        cited = f" [{graded.source}]" if graded.source else ""
        shown = f"{graded.value:g} {graded.unit}".rstrip()
        rows.append((one.name, limit_label(one.name), shown, f"{graded.evidence}{cited}"))
    columns = (("name", "left"), ("limit", "left"), ("value", "right"), ("origin", "left"))
    print_table(table(f"Limits: {profile.name}", columns, rows))
