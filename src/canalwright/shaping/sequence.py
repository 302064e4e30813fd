"""`shape_sequence`: passes one after the other, each in the canal that the last one left."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from canalwright.anatomy.canal import Canal
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.handling import DEFAULT_HANDLING, Handling
from canalwright.shaping.off_center import shape_pass
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.shape import Pass, Shape

__all__ = ["shape_sequence"]


def shape_sequence(
    canal: Canal | CanalAxis,
    passes: Iterable[Pass],
    *,
    start: Shape | None = None,
    handling: Handling | Callable[[Pass, Shape], Handling] = DEFAULT_HANDLING,
    **options: Any,
) -> tuple[OffCenterStep, ...]:
    """Carry out passes with the instrument where the rod model places it.

    Parameters
    ----------
    canal : Canal or CanalAxis
        A canal, or its axis made ready.
    passes : iterable of Pass
        In order; unlike that of concentric passes it matters.
    start : Shape, optional
        The canal before the first pass; as measured when not given.
    handling : Handling or callable
        One for all, or a function of the pass and the canal that it finds.
    **options
        ``wear``, ``alloy``, ``wall_stiffness_n_per_mm2``, ``nodes``: as in
        `canalwright.shaping.off_center.shape_pass`.

    Returns
    -------
    tuple of OffCenterStep
    """
    axis = canal if isinstance(canal, CanalAxis) else CanalAxis.of(canal)
    shape = _start(canal) if start is None else start
    steps: list[OffCenterStep] = []
    for made in passes:
        how = handling(made, shape) if callable(handling) else handling
        steps.append(shape_pass(shape, made, axis, handling=how, **options))
        shape = steps[-1].after
    return tuple(steps)


def _start(canal: Canal | CanalAxis) -> Shape:
    if isinstance(canal, Canal):
        return Shape.of(canal)
    import numpy as np

    return Shape(canal.level_mm, canal.original_mm, np.full_like(canal.original_mm, np.nan))
