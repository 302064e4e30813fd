"""Gallery figures along the instrument: profiles, strain, torque, fatigue."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.fatigue import STRAIN_VALIDITY, surface_strain
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.pass_loads import PassLoads
from canalwright.planning.single_step import step_after
from canalwright.reports.gallery_frame import Frame, GalleryFigure, Look, framed, plain_axes
from canalwright.reports.gallery_scene import GalleryScene
from canalwright.reports.style import GRID_COLOR, INK, LIMIT_COLOR, MUTED, instrument_style
from canalwright.shaping.shape import Pass

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "fatigue_by_station",
    "fatigue_figure",
    "profiles_figure",
    "strain_figure",
    "torque_figure",
]

_RADII_MM: Final = (2.0, 15.0)
_AT_RADIUS_MM: Final = 5.0
_CURVE_STATION_MM: Final = 3.0
_FILL: Final = "#dfe7ee"


def profiles_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw the diameters of instruments over the station, with their tolerance."""
    instruments = scene.instruments
    end = max(one.cutting_length_mm for one in instruments)
    numbers = {
        f"{one.id} D{station:g}": float(one.diameter_mm(station))
        for one in instruments
        for station in (0.0, _CURVE_STATION_MM, end)
    }
    listed = "; ".join(
        f"{one.id} {', '.join(f'{float(one.diameter_mm(s)):.2f}' for s in (0.0, 3.0, end))} mm"
        for one in instruments
    )
    caption = (
        f"Diameter over the station, bands: tolerance. At D0, D3 and D{end:g}: {listed}. Same size "
        "is not same file: taper sets what cuts coronally. Sizes, taper and tolerance of hand "
        "files: iso3630 (values from memory); engine-driven: generic, assumed."
    )
    title = "Instrument profiles"
    with framed(look, title, caption, invented=False, captioned=captioned) as frame:
        axes = frame.axes()
        plain_axes(axes, look)
        station = np.linspace(0.0, end, 161)
        for index, one in enumerate(instruments):
            _draw_profile(axes, one, station, index, look)
        axes.set_xlim(0.0, 1.2 * end)
        axes.set_xticks(np.arange(0.0, end + 0.1, 2.0))
        axes.set_ylim(0.0, None)
        axes.set_xlabel("station, mm from the tip")
        axes.set_ylabel("diameter, mm")
        _label_ends(axes, [(one.id, float(one.diameter_mm(end))) for one in instruments], end, look)
    return GalleryFigure("profiles", title, frame.figure, caption, numbers)


def _draw_profile(axes: Axes, one: Instrument, station: Floats, index: int, look: Look) -> None:
    style = instrument_style(index) | {"linewidth": look.line_pt}
    diameter = one.diameter_mm(station)
    low, high = diameter - one.tolerance_mm, diameter + one.tolerance_mm
    axes.fill_between(station, low, high, color=style["color"], alpha=0.2, lw=0)
    axes.plot(station, diameter, **style)


def _label_ends(axes: Axes, named: list[tuple[str, float]], station_mm: float, look: Look) -> None:
    """Write names at the ends of lines, moved apart where they would lie on each other."""
    low, high = axes.get_ylim()
    apart = (high - low) * look.body_pt / (0.42 * look.height_mm / 0.3528)
    order = sorted(range(len(named)), key=lambda i: named[i][1])
    place = -np.inf
    for index in order:
        text, value = named[index]
        place = max(value, place + apart)
        axes.annotate(
            text,
            (station_mm, place),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            color=instrument_style(index)["color"],
            fontsize=look.body_pt,
        )


def strain_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw the surface strain over the radius of the curve, one line per instrument."""
    radius = np.linspace(*_RADII_MM, 300)
    thick = [(one, float(one.diameter_mm(_CURVE_STATION_MM))) for one in scene.instruments]
    strains = {
        f"{one.id} strain": float(surface_strain(diameter, 1.0 / _AT_RADIUS_MM))
        for one, diameter in thick
    }
    limit = STRAIN_VALIDITY.high
    listed = ", ".join(f"{one.id} {100 * strains[f'{one.id} strain']:.1f} %" for one, _ in thick)
    caption = (
        f"Surface strain ε = d/(2R) of a turning instrument whose D{_CURVE_STATION_MM:g} lies in "
        f"the curve and that follows it (an upper bound). At R = {_AT_RADIUS_MM:g} mm: {listed}. "
        f"Above {100 * limit:g} % (shaded) one strain–life line no longer holds for "
        "superelastic alloy (figueiredo2009). Geometry: pruett1997."
    )
    title = "Strain by radius of the curve and size"
    with framed(look, title, caption, invented=False, captioned=captioned) as frame:
        axes = frame.axes()
        plain_axes(axes, look)
        for index, (one, diameter) in enumerate(thick):
            label = f"{one.id}, {diameter:.2f} mm at D{_CURVE_STATION_MM:g}"
            style = instrument_style(index) | {"linewidth": look.line_pt}
            axes.plot(radius, 100 * surface_strain(diameter, 1.0 / radius), label=label, **style)
        top = 1.05 * 100 * max(d for _, d in thick) / (2.0 * _RADII_MM[0])
        axes.axhspan(100 * limit, top, color=LIMIT_COLOR, alpha=0.08, lw=0)
        axes.axvline(_AT_RADIUS_MM, color=MUTED, lw=0.8, ls=(0, (2, 2)))
        axes.set_xlim(*_RADII_MM)
        axes.set_ylim(0.0, top)
        axes.set_xlabel("radius of the curve, mm")
        axes.set_ylabel("surface strain, %")
        axes.legend(frameon=False, fontsize=look.body_pt, loc="upper right", handlelength=3.0)
    return GalleryFigure("strain", title, frame.figure, caption, strains)


def torque_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw torque carried and torque that can be carried along the instrument of one pass."""
    report = scene.loads
    loads, one = report.insertion.loads, report.instrument
    inside = loads.station_mm >= 0.0
    station = loads.station_mm[inside]
    numbers = {
        "torque": loads.peak_torque_ncm,
        "share": loads.torque_fraction,
        "station": loads.torque_worst_station_mm,
    }
    energy = report.parameters.specific_cutting_energy_j_per_mm3
    caption = (
        f"{one.id} at level {report.done.made.tip_level_mm:g} mm of {scene.canal.name}: the wall "
        f"asks {loads.peak_torque_ncm:.2f} N·cm at the handle, summed from the tip up; nearest to "
        f"twisting off at D{loads.torque_worst_station_mm:.1f} with "
        f"{100 * loads.torque_fraction:.0f} % of the fully plastic torque there. Specific cutting "
        f"energy {energy.value:g} J/mm³ and friction are {energy.evidence}; strength: "
        f"{report.parameters.strength_of(one).evidence}. Plastic torque of tapered round bars: "
        "young2011. Ranks passes, does not predict a motor's reading."
    )
    title = "Torque along the instrument"
    with framed(look, title, caption, invented=scene.invented, captioned=captioned) as frame:
        axes = frame.axes((0.0, 0.0, 1.0, 0.76))
        plain_axes(axes, look)
        wide = look.line_pt
        axes.plot(station, loads.capacity_ncm[inside], color=LIMIT_COLOR, lw=wide, ls=(0, (5, 2)))
        axes.plot(station, loads.torque_ncm[inside], color=instrument_style(0)["color"], lw=wide)
        axes.set_yscale("log")
        axes.yaxis.set_major_formatter(lambda value, _place: f"{value:g}")
        positive = loads.torque_ncm[inside][loads.torque_ncm[inside] > 0.0]
        axes.set_ylim(max(float(positive.min(initial=0.01)), 0.005), None)
        at = loads.torque_worst_station_mm
        axes.axvline(at, color=MUTED, lw=0.8, ls=(0, (2, 2)))
        axes.set_ylabel("torque, N·cm")
        _say(axes, station, loads.capacity_ncm[inside], "can carry", LIMIT_COLOR, look)
        color = str(instrument_style(0)["color"])
        _say(axes, station, loads.torque_ncm[inside], "carries", color, look)
        axes.tick_params(labelbottom=False)
        _silhouette(frame, axes, one, float(station.max()), look)
    return GalleryFigure("torque", title, frame.figure, caption, numbers)


def _say(axes: Axes, x: Floats, y: Floats, text: str, color: str, look: Look) -> None:
    at = int(0.62 * len(x))
    axes.annotate(
        text,
        (float(x[at]), float(y[at])),
        xytext=(0, -0.5 * look.body_pt),
        textcoords="offset points",
        color=color,
        va="top",
        fontsize=look.body_pt,
    )


def _silhouette(frame: Frame, above: Axes, one: Instrument, end_mm: float, look: Look) -> None:
    """Draw the instrument under axes over its stations, five times wider than it is."""
    axes = frame.axes((0.0, 0.80, 1.0, 0.20), sharex=above)
    station = np.linspace(0.0, end_mm, 200)
    half = one.diameter_mm(station) / 2.0
    axes.fill_between(station, -half, half, color=_FILL, ec=INK, lw=0.7)
    axes.set_ylim(-0.9, 0.9)
    axes.set_yticks([])
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=look.body_pt, length=0.25 * look.body_pt, width=0.6)
    axes.set_xlabel("station, mm from the tip")
    above.set_xlim(0.0, end_mm)


def fatigue_by_station(
    scene: GalleryScene, station_mm: Floats
) -> tuple[tuple[str, PassLoads, Floats], ...]:
    """Return for both canals of a scene the share of life one pass uses at stations.

    Parameters
    ----------
    scene : GalleryScene
    station_mm : ndarray, shape (n,)

    Returns
    -------
    tuple of (canal name, PassLoads, ndarray)
        The last pass of the first sequence after the ones before it.
    """
    passes = scene.sequences[0][1]
    found = []
    for canal in (scene.canal, scene.second):
        loads = _loads(canal, passes, scene.patency, scene.parameters)
        used = np.zeros_like(loads.strain) if loads.fatigue_used is None else loads.fatigue_used
        at = np.interp(station_mm, loads.station_mm, used, left=0.0, right=0.0)
        found.append((canal.name, loads, np.asarray(at, float)))
    return tuple(found)


def _loads(
    canal: Canal, passes: tuple[Pass, ...], patency: Pass | None, parameters: LoadParameters
) -> PassLoads:
    return step_after(canal, passes[-1], passes[:-1], patency, parameters=parameters)[1]


def fatigue_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw the life that one instrument uses in two canals, station by station."""
    one = scene.sequences[0][1][-1].instrument
    station = np.linspace(0.0, one.cutting_length_mm, 321)
    parts = fatigue_by_station(scene, station)
    total = np.sum([used for _, _, used in parts], axis=0)
    worst = int(np.argmax(total))
    numbers = {
        **{f"peak {place}": float(used.max()) for place, (_, _, used) in enumerate(parts, 1)},
        "total": float(total[worst]),
        "station": float(station[worst]),
    }
    coefficient = scene.parameters.fatigue_coefficient_of(one)
    test = "none" if coefficient is None else f"{coefficient.note}, {coefficient.evidence}"
    exponent = f"{scene.parameters.fatigue_exponent.value:g}".replace("-", "−")
    peaks = " and ".join(f"{100 * float(used.max()):.1f} %" for _, _, used in parts)
    caption = (
        f"Share of mean fatigue life that {one.id} uses at every station in two canals: at most "
        f"{peaks}; together {100 * numbers['total']:.1f} % at D{numbers['station']:.1f}, for the "
        "curves bend it at different places and damage adds up per station (miner1945). Test point "
        f"of the strain–life law: {test}; exponent {exponent} (cheung2007). Single lives scatter "
        "by 30 % and more (huelsmann2019)."
    )
    title = "Fatigue by station"
    invented = scene.invented or scene.second.provenance.invented
    with framed(look, title, caption, invented=invented, captioned=captioned) as frame:
        axes = frame.axes((0.0, 0.0, 1.0, 0.76))
        plain_axes(axes, look)
        for index, (name, _, used) in enumerate(parts):
            style = instrument_style(index) | {"linewidth": look.line_pt}
            axes.plot(station, 100 * used, label=name, **style)
        axes.plot(station, 100 * total, color=INK, lw=0.8 * look.line_pt, label="both", zorder=1)
        axes.fill_between(station, 0.0, 100 * total, color=GRID_COLOR, alpha=0.35, lw=0, zorder=0)
        axes.set_ylim(0.0, 1.3 * 100 * max(float(total.max()), 1e-6))
        axes.set_ylabel("life used, %")
        axes.legend(frameon=False, fontsize=look.body_pt, ncols=3, loc="upper right")
        axes.tick_params(labelbottom=False)
        _silhouette(frame, axes, one, one.cutting_length_mm, look)
    return GalleryFigure("fatigue", title, frame.figure, caption, numbers)
