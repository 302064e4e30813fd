"""Targets, torque limits and depths from the text of options."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from canalwright.cli.reading import read_numbers

if TYPE_CHECKING:
    from canalwright.planning.types import Target

__all__ = ["depths_of", "given", "target_of", "torque_ncm_of"]


def given(**values: Any) -> dict[str, Any]:
    """Return the options that were given."""
    return {name: value for name, value in values.items() if value is not None}


def depths_of(text: str | None) -> tuple[float, ...] | None:
    """Read the levels at which instruments may stop."""
    return None if text is None else read_numbers(text, name="--depths-mm")


def torque_ncm_of(text: str | None) -> float | None:
    """Read a torque limit with its unit."""
    from canalwright.units import parse_torque_ncm

    return None if text is None else parse_torque_ncm(text)


def target_of(size: int, taper_mm_per_mm: float, coronal_limit_mm: float | None) -> Target:
    """Return the target that was asked for."""
    from canalwright.planning.types import Target

    return Target(size, taper_mm_per_mm, **given(coronal_limit_mm=coronal_limit_mm))
