"""The numbers and terms beside this package, each with its origin."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from canalwright.evidence import Evidence, Graded

__all__ = ["graded", "table"]


@cache
def table(name: str) -> Mapping[str, Any]:
    """Return one of the TOML tables beside this module by the stem of its name."""
    text = files("canalwright.planning.clinical").joinpath(f"{name}.toml").read_text("utf-8")
    return tomllib.loads(text)


def graded(entry: Mapping[str, Any], key: str, unit: str) -> Graded:
    """Return a value of a table with the origin that stands beside it."""
    sd = entry.get("sd_mm") if unit == "mm" else None
    return Graded(
        float(entry[key]),
        unit,
        Evidence(entry["evidence"]),
        source=str(entry.get("source", "")),
        sd=None if not sd or key == "sd_mm" else float(sd),
        note=str(entry.get("note", "")),
    )
