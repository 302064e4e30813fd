"""Constants of sections, interpolated in the shipped table, and stiffness along an instrument.

The table holds shapes of `canalwright.instruments.outlines` for a circumscribed circle D = 1. It
was solved once with a finite-element library :cite:`scikitfem2020`; its head says how, and
``tools/tabulate_sections.py`` makes it anew. A second library agrees
:cite:`sectionproperties2023`. Real sections are ground with lands, radii and reliefs, so values
for an instrument whose drawing is not at hand are estimates.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.geometry.cubic_spline import cubic_values
from canalwright.instruments.instrument import Instrument, SectionShape
from canalwright.instruments.outlines import checked_core_ratio

__all__ = [
    "CONSTANT_NAMES",
    "SectionTableRow",
    "StationSections",
    "cutting_volume_mm3",
    "section_constants",
    "section_table",
    "sections_along",
]

Floats = NDArray[np.float64]

CONSTANT_NAMES = (
    "area_factor",
    "inertia_min_factor",
    "inertia_max_factor",
    "torsion_factor",
    "elastic_torque_factor",
    "plastic_torque_factor",
)


@dataclass(frozen=True, slots=True)
class SectionTableRow:
    """Constants of one shape and core ratio for D = 1.

    Attributes
    ----------
    shape : SectionShape
    core_ratio : float
    area_factor : float
        A / D².
    inertia_min_factor, inertia_max_factor : float
        Principal second moments of area over D⁴.
    torsion_factor : float
        Saint-Venant torsion constant J / D⁴.
    elastic_torque_factor : float
        T / (τ D³) at which the most stressed point reaches the shear stress τ.
    plastic_torque_factor : float
        T / (τ D³) at which the whole section carries τ.
    """

    shape: SectionShape
    core_ratio: float
    area_factor: float
    inertia_min_factor: float
    inertia_max_factor: float
    torsion_factor: float
    elastic_torque_factor: float
    plastic_torque_factor: float

    @property
    def inertia_turning_factor(self) -> float:
        """I / D⁴ of a twisted blade, whose stiff and soft directions alternate along it.

        In-plane compliance averages over the twist, so this is the harmonic mean of both
        principal values; for squares and triangles it is their one value.
        """
        return 2.0 / (1.0 / self.inertia_min_factor + 1.0 / self.inertia_max_factor)


@dataclass(frozen=True, eq=False)
class StationSections:
    """Section properties of one instrument at stations, all arrays of shape (n,).

    Attributes
    ----------
    station_mm, diameter_mm, area_mm2, inertia_mm4, torsion_mm4
        `inertia_mm4` is that of a twisted blade, see `SectionTableRow.inertia_turning_factor`.
    elastic_modulus_mm3, plastic_modulus_mm3 : ndarray
        Torque at first yield, and with the whole section yielding, per unit of shear stress.
    """

    station_mm: Floats
    diameter_mm: Floats
    area_mm2: Floats
    inertia_mm4: Floats
    torsion_mm4: Floats
    elastic_modulus_mm3: Floats
    plastic_modulus_mm3: Floats


@cache
def section_table() -> tuple[SectionTableRow, ...]:
    """Return the shipped table, row by row."""
    text = files("canalwright.instruments").joinpath("section_constants.csv").read_text("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return tuple(
        SectionTableRow(
            SectionShape[row["shape"]],
            float(row["core_ratio"]),
            **{name: float(row[name.removesuffix("_factor")]) for name in CONSTANT_NAMES},
        )
        for row in csv.DictReader(lines)
    )


@lru_cache(maxsize=256)
def section_constants(shape: SectionShape, core_ratio: float | None = None) -> SectionTableRow:
    """Return the constants of a section.

    Parameters
    ----------
    shape : SectionShape
    core_ratio : float, optional
        Inscribed over circumscribed circle; straight sides, or the usual core of rectangle and
        S, when not given. Cubic splines between the rows of the table.

    Raises
    ------
    OutOfRange
        If the table does not cover the core ratio.
    """
    ratio = checked_core_ratio(shape, core_ratio)
    return SectionTableRow(shape, ratio, *_constants(shape, np.array([ratio]))[0].tolist())


def sections_along(instrument: Instrument, station_mm: ArrayLike) -> StationSections:
    """Return the section properties of an instrument at stations.

    Parameters
    ----------
    instrument : Instrument
    station_mm : array_like, shape (n,)
        Distances from the tip; beyond it (below 0) everything is 0.

    Returns
    -------
    StationSections

    Raises
    ------
    OutOfRange
        If a core ratio of the instrument lies outside the table.
    """
    station = np.atleast_1d(np.asarray(station_mm, float))
    diameter = instrument.diameter_mm(station)
    area, low, high, torsion, elastic, plastic = _constants_along(instrument, station).T
    return StationSections(
        station_mm=station,
        diameter_mm=diameter,
        area_mm2=area * diameter**2,
        inertia_mm4=2.0 / (1.0 / low + 1.0 / high) * diameter**4,
        torsion_mm4=torsion * diameter**4,
        elastic_modulus_mm3=elastic * diameter**3,
        plastic_modulus_mm3=plastic * diameter**3,
    )


def _constants_along(instrument: Instrument, station: Floats) -> Floats:
    if not instrument.knot_section and len(set(instrument.knot_core_ratio)) < 2:
        ratio = checked_core_ratio(instrument.section, instrument.core_ratio_at(0.0))
        row = section_constants(instrument.section, ratio)
        return np.array([[getattr(row, name) for name in CONSTANT_NAMES]])
    shapes = np.array([instrument.section_at(float(s)).name for s in station])
    ratios = np.array([_core_ratio(instrument, float(s)) for s in station])
    values = np.empty((len(station), len(CONSTANT_NAMES)))
    for name in np.unique(shapes):
        here = shapes == name
        values[here] = _constants(SectionShape[str(name)], ratios[here])
    return values


def _core_ratio(instrument: Instrument, station_mm: float) -> float:
    shape = instrument.section_at(station_mm)
    return checked_core_ratio(shape, instrument.core_ratio_at(station_mm))


def cutting_volume_mm3(instrument: Instrument) -> float:
    """Return the volume of metal in the cutting part, section area along its length."""
    grid = np.linspace(0.0, instrument.cutting_length_mm, 641)
    station = np.unique(np.concatenate([grid, instrument.knot_station_mm]))
    return float(np.trapezoid(sections_along(instrument, station).area_mm2, station))


def _constants(shape: SectionShape, core_ratios: Floats) -> Floats:
    """Return the constants for core ratios, shape (n, constants)."""
    ratios, values = _columns(shape)
    if len(ratios) == 1:
        return np.repeat(values, len(core_ratios), axis=0)
    return cubic_values(ratios, values, core_ratios)


@cache
def _columns(shape: SectionShape) -> tuple[Floats, Floats]:
    rows = [row for row in section_table() if row.shape is shape]
    values = [[getattr(row, name) for name in CONSTANT_NAMES] for row in rows]
    return np.array([row.core_ratio for row in rows]), np.array(values)
