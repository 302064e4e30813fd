"""Measured and fitted torque of a logged pass, and what the fit is made of."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.mechanics.calibration import Calibration, KnownPass
from canalwright.mechanics.torque_log import TorqueLog
from canalwright.reports.style import (
    BODY_PT,
    GRID_COLOR,
    HEAD_PT,
    INK,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
)
from canalwright.reports.text import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["calibration_figure"]

_LEFT_MM: Final = 17.0
_MEASURED: Final = "#8c8c8c"
_FITTED: Final = "#0072b2"
_RUBBING: Final = "#d55e00"


def calibration_figure(
    found: Calibration,
    log: TorqueLog,
    known: KnownPass,
    *,
    title: str = "",
    invented: bool = False,
    size_mm: tuple[float, float] = (180.0, 130.0),
) -> Figure:
    """Draw the measured and the fitted torque over time, and what is left unexplained.

    Parameters
    ----------
    found : Calibration
    log : TorqueLog
    known : KnownPass
    title : str
    invented : bool
        Whether to mark the canal as invented.
    size_mm : tuple of float
        Width and height of the figure in mm.

    Returns
    -------
    matplotlib.figure.Figure
        Above torque with the share of rubbing, offset and drift under the fit; below the
        residual. The axes carry the names ``torque`` and ``residual`` as `gid`.
    """
    width, height = size_mm
    wide, tall = width - _LEFT_MM - 5.0, height - 85.0
    with drawing():
        figure = figure_mm(width, height)
        figure_text_mm(figure, 3.0, 2.0, title or "Torque log", fontsize=12.0, fontweight="bold")
        figure_text_mm(figure, 3.0, 8.0, _found(found))
        figure_text_mm(figure, 3.0, 12.4, _reading(found), color=MUTED)
        if invented:
            figure_text_mm(
                figure,
                width - 4.0,
                2.6,
                "INVENTED CANAL",
                ha="right",
                fontweight="bold",
                bbox={"boxstyle": "square,pad=0.3", "fc": "white", "ec": INK, "lw": 1.0},
            )
        above = add_axes_mm(figure, _LEFT_MM, 20.0, wide, tall + 20.0, gid="torque")
        below = add_axes_mm(figure, _LEFT_MM, 46.0 + tall, wide, 25.0, sharex=above, gid="residual")
        _draw_torque(above, found, log, known)
        _draw_residual(below, found, log)
    return figure


def _draw_torque(axes: Axes, found: Calibration, log: TorqueLog, known: KnownPass) -> None:
    time = log.time_s
    reading = found.offset_ncm + found.drift_ncm_per_s * (time - time.mean())
    rubbing = reading + found.friction_coefficient.value * known.rubbing_nmm / 10.0
    turning = np.isfinite(found.fitted_ncm)
    axes.plot(time, log.torque_ncm, ".", color=_MEASURED, ms=3.5, label="measured", zorder=2)
    axes.plot(time, found.fitted_ncm, color=_FITTED, lw=1.6, label="fitted", zorder=4)
    axes.plot(
        time,
        np.where(turning, rubbing, np.nan),
        color=_RUBBING,
        lw=1.3,
        ls=(0, (5, 2)),
        label="of it rubbing, offset and drift",
        zorder=3,
    )
    axes.plot(time, reading, color=INK, lw=0.9, ls=(0, (1.3, 1.3)), label="offset and drift")
    axes.set_ylabel("torque, N·cm", fontsize=BODY_PT)
    axes.legend(loc="best", fontsize=BODY_PT, frameon=False)
    _rule(axes)
    axes.tick_params(labelbottom=False)


def _draw_residual(axes: Axes, found: Calibration, log: TorqueLog) -> None:
    axes.axhline(0.0, color=INK, lw=0.8)
    axes.plot(log.time_s, log.torque_ncm - found.fitted_ncm, ".", color=_MEASURED, ms=3.5)
    axes.set_ylabel("unexplained, N·cm", fontsize=BODY_PT)
    axes.set_xlabel("time in the log, s", fontsize=HEAD_PT)
    _rule(axes)


def _rule(axes: Axes) -> None:
    axes.grid(visible=True, color=GRID_COLOR, lw=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=BODY_PT)


def _found(found: Calibration) -> str:
    energy, friction = found.specific_cutting_energy_j_per_mm3, found.friction_coefficient
    return (
        f"Specific cutting energy {format_number(energy.value, 3)} ± "
        f"{format_number(energy.sd, 3)} J/mm³, friction {format_number(friction.value, 3)} ± "
        f"{format_number(friction.sd, 3)} (standard deviations)"
    )


def _reading(found: Calibration) -> str:
    return (
        f"Reading: offset {format_number(found.offset_ncm, 3)} N·cm, drift "
        f"{format_number(found.drift_ncm_per_s, 4)} N·cm/s; unexplained "
        f"{format_number(found.residual_ncm, 3)} N·cm RMS"
    )
