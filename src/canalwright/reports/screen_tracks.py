"""The track figure as data: what the screen draws itself, so that a cursor can move through it."""

from __future__ import annotations

import base64
import io
import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.concentric import PassLoads
from canalwright.planning.limit_values import Limits
from canalwright.reports.style import ISO_CHIP_COLORS
from canalwright.reports.text import instrument_label
from canalwright.shaping.shape import Shape, Step

if TYPE_CHECKING:
    from canalwright.imaging.straightened import StraightenedImage

__all__ = ["TRACK_NAMES", "canal_scene", "picture_of", "step_scene"]

TRACK_NAMES: Final = {
    "diameter": "Diameter",
    "step": "Step",
    "area": "Area growth",
    "share": "Wall touched",
    "dentin": "Dentin left",
    "curvature": "Curvature",
    "strain": "Strain",
    "torque": "Torque used",
    "fatigue": "Fatigue used",
}
"""Tracks a screen can show, by key."""

_PLAIN: Final = "#c9c5b8"
_BEFORE: Final = "#8a8f89"
_STATION_STEP_MM: Final = 0.25
_ROUND: Final = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def canal_scene(
    canal: Canal,
    curvature_per_mm: Floats,
    *,
    image: dict[str, Any] | None = None,
    key: str = "",
) -> dict[str, Any]:
    """Return a measured canal as tracks: sizes, dentin, curvature.

    Parameters
    ----------
    canal : Canal
    curvature_per_mm : ndarray, shape (n,)
    image : dict, optional
        From `picture_of`.
    key : str
        Changes when another canal is shown, so that the view starts anew.
    """
    shape = Shape.of(canal)
    tracks = [
        _track(
            "diameter",
            "mm",
            2,
            [("narrow", canal.narrow_mm), ("wide", canal.wide_mm), ("equal area", shape_mm(shape))],
        ),
        _track("dentin", "mm", 2, [("thinnest", shape.dentin_min_mm)]),
        _track("curvature", "1/mm", 3, [("axis", curvature_per_mm)]),
    ]
    return _scene(
        canal, key, canal.name, "as measured", [(shape, "#ffd23f", "", False)], tracks
    ) | {"image": image}


def step_scene(
    canal: Canal,
    done: Step,
    before: Shape,
    loads: PassLoads,
    limits: Limits,
    *,
    image: dict[str, Any] | None = None,
    key: str = "",
    movable: bool = True,
) -> dict[str, Any]:
    """Return one pass as tracks, with the instrument to scale in the canal.

    Parameters
    ----------
    canal : Canal
    done : Step
    before : Shape
        The canal before the pass.
    loads : PassLoads
    limits : Limits
        Drawn as lines where a track has one.
    image : dict, optional
    key : str
    movable : bool
        Whether the instrument can be drawn to another depth.
    """
    instrument = done.made.instrument
    hand = instrument.kind.value == "hand"
    step_limit = limits.hand_step_percent if hand else limits.step_percent
    tracks = [
        _track(
            "diameter",
            "mm",
            2,
            [
                ("before", done.before_mm),
                ("instrument", np.where(done.instrument_mm > 0.0, done.instrument_mm, np.nan)),
            ],
        ),
        _track("step", "%", 0, [("step", done.step_percent)], step_limit.value),
        _track("area", "%", 0, [("area", done.area_percent)]),
        _track("share", "%", 0, [("touched", 100.0 * done.engaged_share)], top=100.0),
        _track("dentin", "mm", 2, [("left", done.dentin_left_mm)], limits.dentin_left_mm.value),
        _track("strain", "%", 2, [("strain", 100.0 * loads.strain)]),
        _track("torque", "%", 0, [("torque", _share(loads))], 100.0 * limits.torque_fraction.value),
    ]
    if loads.fatigue_used is not None:
        allowed = 100.0 * limits.fatigue_fraction.value
        tracks.append(_track("fatigue", "%", 1, [("used", 100.0 * loads.fatigue_used)], allowed))
    outlines = [(before, "#ffd23f", "", True), (done.after, "#5bd1ff", "#5bd1ff", False)]
    scene = _scene(canal, key, canal.name, instrument_label(instrument), outlines, tracks)
    scene["instrument"] = _instrument(instrument, done.made.tip_level_mm, canal, movable=movable)
    return scene | {"image": image}


def picture_of(straight: StraightenedImage) -> dict[str, Any]:
    """Return a straightened image as an embedded picture with its extents in mm."""
    from PIL import Image

    values = np.asarray(straight.image, float)
    low, high = np.nanpercentile(values, (0.5, 99.5))
    gray = np.nan_to_num((values - low) / max(high - low, 1e-9), nan=0.0)
    pixels = (255.0 * np.clip(gray, 0.0, 1.0)).astype(np.uint8)[::-1]
    held = io.BytesIO()
    Image.fromarray(pixels).save(held, "PNG", optimize=True)
    text = base64.b64encode(held.getvalue()).decode("ascii")
    half_level = 0.5 * float(np.diff(straight.level_mm[:2])[0])
    half_across = 0.5 * float(np.diff(straight.across_mm[:2])[0])
    return {
        "source": f"data:image/png;base64,{text}",
        "levels": [
            float(straight.level_mm[0]) - half_level,
            float(straight.level_mm[-1]) + half_level,
        ],
        "reach": float(straight.across_mm[-1]) + half_across,
    }


def shape_mm(shape: Shape) -> Floats:
    """Return the diameter of the circle of equal area per level."""
    return np.asarray(2.0 * np.sqrt(shape.area_mm2 / np.pi), float)


def _share(loads: PassLoads) -> Floats:
    known = loads.capacity_ncm > 0.0
    capacity = np.where(known, loads.capacity_ncm, 1.0)
    return np.where(known, 100.0 * loads.torque_ncm / capacity, np.nan)


def _scene(
    canal: Canal,
    key: str,
    title: str,
    subtitle: str,
    outlines: list[tuple[Shape, str, str, bool]],
    tracks: list[dict[str, Any]],
) -> dict[str, Any]:
    widest = max(float(shape.radius_mm.max()) for shape, *_ in outlines)
    return {
        "key": key or canal.name,
        "title": title,
        "subtitle": subtitle,
        "level": _listed(canal.level_mm),
        "reach": max(1.2, 1.3 * widest),
        "outlines": [_outline(*one) for one in outlines],
        "tracks": tracks,
        "instrument": None,
    }


def _outline(shape: Shape, color: str, fill: str, dashed: bool) -> dict[str, Any]:
    opposite = shape.radius_mm.shape[1] // 2
    return {
        "left": _listed(shape.radius_mm[:, opposite]),
        "right": _listed(shape.radius_mm[:, 0]),
        "color": color,
        "fill": fill,
        "dash": dashed,
    }


def _track(
    key: str,
    unit: str,
    digits: int,
    series: list[tuple[str, Floats]],
    limit: float | None = None,
    top: float | None = None,
) -> dict[str, Any]:
    return {
        "key": key,
        "title": TRACK_NAMES[key],
        "unit": unit,
        "digits": digits,
        "limit": limit,
        "range": [0.0, top if top is not None else _top(series, limit)],
        "series": [
            {"name": name, "values": _listed(values), **_look(at, len(series))}
            for at, (name, values) in enumerate(series)
        ],
    }


def _look(at: int, count: int) -> dict[str, Any]:
    """Return how one line looks: the last is the one that matters."""
    last = at == count - 1
    return {} if last else {"color": _BEFORE, "dash": ("", "5 3")[at % 2], "width": 1.6}


def _top(series: list[tuple[str, Floats]], limit: float | None) -> float:
    values = np.concatenate([values[np.isfinite(values)] for _, values in series])
    highest = float(values.max()) if values.size else 0.0
    if limit is not None:
        highest = max(highest, 1.15 * limit)
    return _round_up(highest) if highest > 0.0 else 1.0


def _round_up(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(value))
    return next(m * power for m in _ROUND if m * power >= value * (1.0 - 1e-9))


def _instrument(
    instrument: Instrument, tip_level_mm: float, canal: Canal, *, movable: bool
) -> dict[str, Any]:
    reach_mm = canal.length_mm - tip_level_mm
    station = np.arange(0.0, min(reach_mm, instrument.cutting_length_mm) + 1e-9, _STATION_STEP_MM)
    return {
        "station": _listed(station),
        "radius": _listed(instrument.diameter_mm(station) / 2.0),
        "offset": [0.0] * len(station),
        "tip": tip_level_mm,
        "color": ISO_CHIP_COLORS.get(instrument.color, _PLAIN),
        "movable": movable,
    }


def _listed(values: Floats) -> list[float | None]:
    """Return numbers as JSON has them: unknown ones are null."""
    return [round(v, 5) if np.isfinite(v) else None for v in np.asarray(values, float).tolist()]
