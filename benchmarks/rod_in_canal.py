"""The rod in a canal against two other solutions, with times.

Run as ``python benchmarks/rod_in_canal.py [--library] [--out FILE]``. Without ``--library`` the
planar cases are compared with the exactly inextensible solution of the tests. With it, all cases
are also relaxed with PyElastica, a general library for Cosserat rods (install ``pyelastica``
beside the package), in a tube of the same wall stiffness; that takes half an hour. The library's
elements are all equally long while the wall force at the tip lives in a layer of 0.2 mm, so it is
compared on 240 of them, where its forces have come within about 1 % of their limit. Its rods can
shear and stretch, ours cannot: it is relaxed once more with four times the shear modulus, which
shows how much of what is left is shear. Its time is taken on 120 elements, where its error is
still several times ours, and without the time it needs to compile itself.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.instrument import SectionShape
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.canal_path import Arc, CanalPath, graded_levels_mm, path_of_arcs
from canalwright.mechanics.contacts import wall_contacts
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import RodInCanal, rod_in_canal
from support.inextensible_rod import Angles
from support.inextensible_rod import Case as PlanarCase

Floats = NDArray[np.float64]

MODULUS_MPA = 70000.0
WALL_N_PER_MM2 = 5000.0
LENGTH_MM = 15.0
MAIN_N = 0.3  # contacts weaker than this, or than a tenth of the largest, are not compared
LAW = moment_law(SectionShape.CIRCLE, linear_law(MODULUS_MPA))


@dataclass(frozen=True)
class Case:
    """A canal of arcs with constant taper and a round file in it."""

    name: str
    arcs: tuple[Arc, ...]
    tip_mm: float
    taper: float
    canal_mm: float
    canal_taper: float

    def file_radius(self, station: Floats) -> Floats:
        return (self.tip_mm + self.taper * np.clip(station, 0.0, 16.0)) / 2

    def wall_radius(self, level: Floats) -> Floats:
        return (self.canal_mm + self.canal_taper * level) / 2

    def path(self, level: Floats) -> CanalPath:
        return path_of_arcs(self.arcs, level, self.wall_radius(level))


def arc(degrees: float, radius_mm: float, sign: float = 1.0) -> Arc:
    return Arc(radius_mm * math.radians(degrees), sign / radius_mm)


CASES = (
    Case("30°, R 8, .08", (arc(30, 8),), 0.25, 0.08, 0.30, 0.09),
    Case("30°, R 5, .06", (arc(30, 5),), 0.25, 0.06, 0.32, 0.07),
    Case("45°, R 5, .06", (arc(45, 5),), 0.25, 0.06, 0.35, 0.06),
    Case("45°, R 8, .04", (arc(45, 8),), 0.25, 0.04, 0.32, 0.05),
    Case("45°, R 3, .04", (arc(45, 3),), 0.20, 0.04, 0.30, 0.05),
    Case("60°, R 5, .02", (arc(60, 5),), 0.20, 0.02, 0.30, 0.04),
    Case("60°, R 8, .06", (arc(60, 8),), 0.20, 0.06, 0.28, 0.07),
    Case("60°, R 3, .04", (arc(60, 3),), 0.20, 0.04, 0.30, 0.05),
    Case("S: 30° R 5, 30° R 8", (arc(30, 5), Arc(1.0), arc(30, 8, -1.0)), 0.2, 0.04, 0.3, 0.05),
    Case("S: 20° R 6, 45° R 6", (arc(20, 6), arc(45, 6, -1.0)), 0.20, 0.06, 0.30, 0.06),
    Case("space: R 4, R 6 across", (Arc(3.0, 0.25), Arc(3.0, 0.0, 1 / 6)), 0.2, 0.04, 0.3, 0.04),
    Case("space: R 5, turned 60°", (Arc(2.5, 0.2), Arc(2.5, 0.1, 0.1732)), 0.25, 0.06, 0.34, 0.06),
)  # fmt: skip


@dataclass(frozen=True)
class Found:
    """What is compared."""

    strain: float
    forces_n: tuple[float, ...]
    push_n: float
    seconds: float


def ours(case: Case, nodes: int = 200) -> tuple[RodInCanal, Found]:
    path = case.path(graded_levels_mm(0.0, LENGTH_MM, nodes))
    rod = Rod(case.file_radius(np.arange(0.0, 20.0, 0.01)), 0.01, LAW)
    result, taken = rod_in_canal(path, rod), []
    for _ in range(41):
        start = time.process_time()
        result = rod_in_canal(path, rod)
        taken.append(time.process_time() - start)
    forces = tuple(c.force_n for c in wall_contacts(result))
    strain, push = float(np.max(result.strain)), result.insertion_force_n
    return result, Found(strain, forces, push, float(np.median(taken)))


def inextensible(case: Case, guess: RodInCanal) -> Found | None:
    """Return the inextensible solution; it knows one arc from the terminus only."""
    if len(case.arcs) > 1:
        return None
    only = case.arcs[0]
    planar = PlanarCase(
        1 / only.toward_1_per_mm,
        math.degrees(only.length_mm * only.toward_1_per_mm),
        case.tip_mm,
        case.taper,
        case.canal_mm,
        case.canal_taper,
    )
    start = time.process_time()
    solved = Angles(planar, guess, 400).solve()
    strain = float(np.max(np.abs(solved.curvature) * solved.radius[1:-1]))
    forces = tuple(force for _, force in solved.groups())
    return Found(strain, forces, solved.push(), time.process_time() - start)


def differences(one: Found, other: Found) -> tuple[float, float, float]:
    """Return strain, worst main force and push of `one` against `other`, in percent."""
    least = max(MAIN_N, 0.1 * max(other.forces_n))
    mine = [f for f in one.forces_n if f > least]
    theirs = [f for f in other.forces_n if f > least]
    force = math.nan
    if len(mine) == len(theirs):
        force = max((a / b - 1 for a, b in zip(mine, theirs, strict=True)), key=abs)
    return (
        100 * (one.strain / other.strain - 1),
        100 * force,
        100 * (one.push_n / other.push_n - 1),
    )


def table(use_library: bool) -> str:
    others = "inextensible solution" + (", PyElastica" if use_library else "")
    lines = [
        "Differences in percent: peak strain / worst main wall force / push on the handle; "
        f"against: {others}. Times: seconds of the processor; ours the median of warm solves "
        "with 200 nodes, the library's from the canal's axis to rest.",
        "",
        "| case | peak strain | main forces, N | push, N | against inextensible |"
        " against PyElastica, 240 elements | the same, shear modulus × 4 |"
        " 120 elements | ours, ms | PyElastica, 120 elements, s | ratio |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    if use_library:
        general(CASES[0], ours(CASES[0])[0], elements=20)  # compiles the library
    for case in CASES:
        guess, mine = ours(case)
        exact = inextensible(case, guess)
        library = _library(case, guess) if use_library else Library()
        lines.append(row(case, mine, exact, library))
        print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Library:
    """The library's rods at rest: on a fine mesh, there hardly able to shear, on a coarse mesh."""

    fine: Found | None = None
    stiff: Found | None = None
    coarse: Found | None = None


def _library(case: Case, guess: RodInCanal) -> Library:
    return Library(
        fine=general(case, guess, elements=240),
        stiff=general(case, guess, elements=240, shear_factor=4.0),
        coarse=general(case, guess, elements=120),
    )


def general(case: Case, guess: RodInCanal, **options: Any) -> Found:
    """Return one of the library's rods at rest."""
    from cosserat_tube import relaxed

    return relaxed(case, guess, LENGTH_MM, MODULUS_MPA, WALL_N_PER_MM2, **options)


def row(case: Case, mine: Found, exact: Found | None, library: Library) -> str:
    def against(other: Found | None) -> str:
        if other is None:
            return ""
        return " / ".join(f"{d:+.1f}" for d in differences(mine, other))

    forces = ", ".join(f"{f:.2f}" for f in mine.forces_n if f > 0.1 * max(mine.forces_n))
    coarse = library.coarse
    seconds = "" if coarse is None else f"{coarse.seconds:.1f}"
    ratio = "" if coarse is None else f"{coarse.seconds / mine.seconds:,.0f}"
    return (
        f"| {case.name} | {100 * mine.strain:.2f} % | {forces} | {mine.push_n:.3f} | "
        f"{against(exact)} | {against(library.fine)} | {against(library.stiff)} | "
        f"{against(coarse)} | {1e3 * mine.seconds:.2f} | {seconds} | {ratio} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--library", action="store_true", help="also compare with PyElastica")
    parser.add_argument("--out", type=Path, help="write the table to this Markdown file")
    chosen = parser.parse_args()
    text = table(chosen.library)
    if chosen.out:
        chosen.out.write_text(text, "utf-8")
    print(text)


if __name__ == "__main__":
    main()
