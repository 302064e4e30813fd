"""No canal and instrument within reason may leave the rod without an equilibrium.

Three thousand seeded cases: one to three curves of 2 to 20 mm radius in any planes, straight
pieces between them, round and oval sections, hand files of steel and engine files of
nickel-titanium, loose, fitting and binding, inserted to any depth, free or held.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from canalwright.instruments.alloys import alloy_set
from canalwright.instruments.instrument import Alloy, SectionShape
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.canal_path import (
    NO_WALL_MM,
    Arc,
    CanalPath,
    graded_levels_mm,
    path_of_arcs,
)
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import rod_in_canal

CASES = 3000
SEED = 20240611
LAWS = {
    "steel": moment_law(SectionShape.SQUARE, bending_law(alloy_set(Alloy.STAINLESS))),
    "linear": moment_law(SectionShape.SQUARE, linear_law(70000.0)),
    "superelastic": moment_law(
        SectionShape.TRIANGLE, bending_law(alloy_set(Alloy.NITI_SUPERELASTIC))
    ),
    "heat-treated": moment_law(
        SectionShape.CIRCLE, bending_law(alloy_set(Alloy.NITI_HEAT_TREATED))
    ),
}
STATION = np.arange(0.0, 45.0, 0.01)


@dataclass(frozen=True)
class Trial:
    path: CanalPath
    rod: Rod
    held: bool
    text: str


def arcs(generator: np.random.Generator, planar: bool) -> list[Arc]:
    pieces = [Arc(generator.uniform(0.2, 3.0))] if generator.random() < 0.5 else []
    for _ in range(generator.integers(1, 4)):
        radius = generator.uniform(2.0, 20.0)
        length = min(7.0, radius * math.radians(generator.uniform(10.0, 75.0)))
        phase = generator.uniform(0.0, 2 * math.pi)
        if planar:
            phase = math.pi * round(phase / math.pi)
        pieces.append(Arc(length, math.cos(phase) / radius, math.sin(phase) / radius))
        if planar:
            pieces[-1] = Arc(length, math.cos(phase) / radius)
        if generator.random() < 0.5:
            pieces.append(Arc(generator.uniform(0.5, 3.0)))
    return pieces


def within(pieces: list[Arc], length_mm: float) -> list[Arc]:
    """End the curves at the orifice, above which there is no canal to be curved."""
    kept, left = [], length_mm
    for piece in pieces:
        kept.append(replace(piece, length_mm=min(piece.length_mm, max(left, 0.0))))
        left -= piece.length_mm
    return kept


def trial(generator: np.random.Generator) -> Trial:
    pieces = arcs(generator, planar=bool(generator.random() < 0.4))
    law = str(generator.choice(list(LAWS)))
    if law == "steel":
        tip, taper = generator.choice([0.06, 0.08, 0.10, 0.15, 0.20, 0.25, 0.30]), 0.02
    else:
        tip, taper = (
            generator.choice([0.10, 0.15, 0.2, 0.25, 0.3, 0.4]),
            generator.choice([0.0, 0.02, 0.04, 0.06, 0.08]),
        )
    orifice = generator.uniform(9.0, 15.0)
    depth = generator.uniform(-1.0, 5.0) if generator.random() < 0.4 else 0.0
    nodes = int(generator.choice([100, 200, 300]))
    level = graded_levels_mm(depth, orifice + 2.0, nodes)
    canal_tip = max(0.08, tip + generator.normal(0.05, 0.10))
    canal_taper = max(0.0, taper + generator.normal(0.0, 0.02))
    wall = np.maximum((canal_tip + canal_taper * np.maximum(level, 0.0)) / 2, 0.03)
    wall = np.where((level > orifice) | (level < 0.0), NO_WALL_MM, wall)
    held = bool(generator.random() < 0.2)
    rod = Rod((tip + taper * np.minimum(STATION, 16.0)) / 2, 0.01, LAWS[law])
    path = path_of_arcs(within(pieces, orifice), level, wall)
    if not path.is_planar and generator.random() < 0.5:
        wider = 1.0 + generator.uniform(0.0, 2.0) * np.clip(level / orifice, 0.0, 1.0)
        turned = generator.uniform(0.0, math.pi) + 0.05 * level
        oval = np.where(wall < NO_WALL_MM, wider * wall, NO_WALL_MM)
        path = replace(path, wall_radius_mm=oval, wall_narrow_mm=wall, wide_direction_rad=turned)
    text = f"{law} {tip}/{taper} in {canal_tip:.3f}/{canal_taper:.3f}, tip at {depth:.2f}: {pieces}"
    return Trial(path, rod, held, text)


def test_every_random_case_finds_its_equilibrium() -> None:
    generator = np.random.default_rng(SEED)
    failed, iterations = [], []
    kinds = {"planar": 0, "spatial": 0, "oval": 0, "binding": 0}
    for _ in range(CASES):
        case = trial(generator)
        result = rod_in_canal(case.path, case.rod, held=case.held)
        iterations.append(result.convergence.iterations)
        kinds["planar" if case.path.is_planar else "spatial"] += 1
        kinds["oval"] += case.path.wall_narrow_mm is not None
        kinds["binding"] += bool(np.min(result.clearance_mm) < 0)
        if not result.convergence.converged or not np.all(np.isfinite(result.offset_mm)):
            failed.append(case.text)
    assert failed == []
    assert min(kinds.values()) > 500
    assert np.median(iterations) < 30
