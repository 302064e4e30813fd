"""A picture of a proposed canal, for a person to judge: along it, and across it at four levels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.frames import bishop_frame
from canalwright.imaging.propose import Proposal
from canalwright.imaging.scan import Scan
from canalwright.imaging.straightened import cross_section_image, straightened_image
from canalwright.reports.style import (
    BODY_PT,
    INK,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
    scale_bar,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["proposal_figure"]

Floats = NDArray[np.float64]

_WIDTH_MM: Final = 180.0
_HEAD_MM, _FOOT_MM, _EDGE_MM = 21.0, 17.0, 8.0
_ALONG_WIDE_MM, _ALONG_HIGH_MM, _GAP_MM = 36.0, 96.0, 8.0
_HALF_MM: Final = 2.5
_LEVEL_SHARES: Final = (0.97, 0.66, 0.33, 0.05)
_MARK: Final = "#ffd23f"


def proposal_figure(scan: Scan, proposal: Proposal) -> Figure:
    """Draw a proposal.

    Parameters
    ----------
    scan : Scan
        In which it was found.
    proposal : Proposal

    Returns
    -------
    matplotlib.figure.Figure
        Two straightened images, a quarter turn apart, terminus at the bottom, and four sections
        square to the path. Nothing in it is measured.
    """
    path = proposal.path_mm
    level = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    frame = bishop_frame(path)
    with drawing():
        figure = figure_mm(_WIDTH_MM, _HEAD_MM + _ALONG_HIGH_MM + _FOOT_MM)
        _draw_heading(figure, scan, proposal)
        for place, rotation in enumerate((0.0, 90.0)):
            left = _EDGE_MM + place * (_ALONG_WIDE_MM + _GAP_MM)
            axes = add_axes_mm(
                figure, left, _HEAD_MM, _ALONG_WIDE_MM, _ALONG_HIGH_MM, gid=f"along-{place}"
            )
            _draw_along(axes, scan, path, level, frame.direction0, rotation)
            _mark_ends(axes, level, proposal.unseen_mm)
        side = (_ALONG_HIGH_MM - _GAP_MM) / 2.0
        for place, share in enumerate(_LEVEL_SHARES):
            left = _EDGE_MM + 2.0 * (_ALONG_WIDE_MM + _GAP_MM) + (place % 2) * (side - 4.0 + 2.0)
            top = _HEAD_MM + (place // 2) * (side + _GAP_MM)
            axes = add_axes_mm(figure, left, top, side - 4.0, side - 4.0, gid=f"across-{place}")
            row = round(share * (len(path) - 1))
            first, second = frame.direction0[row], frame.direction1[row]
            _draw_across(axes, scan, path[row], first, second, float(level[row]))
        _draw_foot(figure)
    return figure


def _draw_heading(figure: Figure, scan: Scan, proposal: Proposal) -> None:
    title = f"Proposed: {proposal.name}"
    figure_text_mm(figure, _EDGE_MM, 2.0, title, fontsize=12.0, fontweight="bold")
    if scan.invented:
        figure_text_mm(
            figure,
            _WIDTH_MM - 4.0,
            2.6,
            "INVENTED DATA – NOT A PATIENT",
            ha="right",
            fontweight="bold",
            bbox={"boxstyle": "square,pad=0.3", "fc": "white", "ec": INK, "lw": 1.0},
        )
    parts = proposal.confidence
    joins = (
        f", joins {proposal.joins} at level {proposal.joins_at_mm:.1f}" if proposal.joins else ""
    )
    unseen = f", the last {proposal.unseen_mm:.1f} not seen" if proposal.unseen_mm > 0.0 else ""
    text = (
        f"Confidence {parts.total:.2f} (seen {parts.seen:.2f}, closed in {parts.closed:.2f}, "
        f"length {parts.long:.2f}, reaches the surface {parts.reaches:.2f})"
    )
    length = f"About {proposal.length_mm:.1f} mm{unseen}{joins}"
    figure_text_mm(figure, _EDGE_MM, 9.0, length)
    figure_text_mm(figure, _EDGE_MM, 13.6, text)


def _draw_foot(figure: Figure) -> None:
    note = (
        "Not measured and not confirmed: check that the dark canal stays in the middle of every "
        "picture.\nTicks: mm from the proposed terminus. Dotted: drawn to the root's surface, not "
        "seen."
    )
    figure_text_mm(figure, _EDGE_MM, _HEAD_MM + _ALONG_HIGH_MM + 6.0, note, color=MUTED)


def _draw_along(
    axes: Axes, scan: Scan, path: Floats, level: Floats, direction0: Floats, rotation: float
) -> None:
    cut = straightened_image(
        scan, path, level, direction0, half_width_mm=_HALF_MM, rotation_deg=rotation
    )
    axes.imshow(
        np.ma.masked_invalid(np.asarray(cut.image, float)),
        origin="lower",
        extent=(-_HALF_MM, _HALF_MM, float(level[0]), float(level[-1])),
        cmap="gray",
        aspect="auto",
        interpolation="bilinear",
    )
    axes.set_xticks([])
    axes.tick_params(labelsize=BODY_PT)
    axes.set_xlabel(f"along, {rotation:.0f}°; width {2.0 * _HALF_MM:g} mm", fontsize=BODY_PT)


def _mark_ends(axes: Axes, level: Floats, unseen_mm: float) -> None:
    """Mark both ends, and dotted lines beside the part that is not seen."""
    for end in (float(level[0]), float(level[-1])):
        axes.plot([-_HALF_MM, -0.6], [end, end], color=_MARK, lw=1.4, clip_on=False)
        axes.plot([0.6, _HALF_MM], [end, end], color=_MARK, lw=1.4, clip_on=False)
    if unseen_mm > 0.0:
        for side in (-0.6, 0.6):
            axes.plot([side, side], [0.0, unseen_mm], color=_MARK, lw=1.4, ls=":")


def _draw_across(
    axes: Axes, scan: Scan, point: Floats, first: Floats, second: Floats, level_mm: float
) -> None:
    cut = cross_section_image(scan, point, first, second, half_width_mm=_HALF_MM, step_mm=0.05)
    axes.imshow(
        np.ma.masked_invalid(np.asarray(cut.image, float)),
        origin="lower",
        extent=(-_HALF_MM, _HALF_MM, -_HALF_MM, _HALF_MM),
        cmap="gray",
        interpolation="bilinear",
    )
    for x, y in (((-1.6, -0.9), (0, 0)), ((0.9, 1.6), (0, 0)), ((0, 0), (0.9, 1.6))):
        axes.plot(x, y, color=_MARK, lw=1.0)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlabel(f"across, level {level_mm:.1f} mm", fontsize=BODY_PT, labelpad=2.0)
    scale_bar(axes, -0.9 * _HALF_MM, -0.85 * _HALF_MM, 1.0)
