"""Solve Saint-Venant torsion for every section and write the table that ships with the package.

Run ``.venv/bin/python tools/tabulate_sections.py`` after changing an outline. The Prandtl stress
function is solved with scikit-fem on curved (isoparametric) quadratic triangles; the fully plastic
torque is the sand-heap volume, integrated over the same mesh. All values are for D = 1.
"""

from __future__ import annotations

import csv
import io
import math
from importlib.metadata import version
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree
from skfem import Basis, ElementTriP2, Functional, MeshTri, MeshTri2, condense, solve
from skfem.models.poisson import laplace, unit_load

from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.outlines import CORE_RATIO_RANGE, outline_pieces

TABLE = Path(__file__).parents[1] / "src/canalwright/instruments/section_constants.csv"
COLUMNS = (
    "shape core_ratio area inertia_min inertia_max torsion elastic_torque plastic_torque".split()
)
STEP = 0.025
_LOW, _HIGH = 0.5 - math.sqrt(1 / 12), 0.5 + math.sqrt(1 / 12)
EDGE_POINTS = np.array([[_LOW, _HIGH, 0.0, 0.0, _LOW, _HIGH], [0.0, 0.0, _LOW, _HIGH, _HIGH, _LOW]])


def boundary(shape: SectionShape, core_ratio: float | None, sectors: int) -> np.ndarray:
    """Return points on the outline, two per sector; every corner is an even one."""
    points = []
    for piece in outline_pieces(shape, core_ratio):
        span = piece.end_rad - piece.start_rad
        count = max(8, round(sectors * span / (2 * math.pi)))
        # cosine spacing: finer toward the corners of the outline
        x = (1 - np.cos(np.pi * np.arange(2 * count) / (2 * count))) / 2
        x = 0.5 * x + 0.5 * np.arange(2 * count) / (2 * count)
        theta = piece.start_rad + span * x
        points.append(piece.radius(theta) * np.array([np.cos(theta), np.sin(theta)]))
    return np.concatenate(points, axis=1)


def curved_mesh(outline: np.ndarray, rings: int) -> MeshTri2:
    """Mesh a star-shaped section: scaled copies of its outline, finer toward the surface."""
    sectors = outline.shape[1] // 2
    rho = np.sin(np.linspace(0.0, np.pi / 2, rings + 1)) ** 0.9
    node = 1 + np.arange(rings * sectors).reshape(rings, sectors)
    turned = np.roll(node, -1, axis=1)
    fan = np.stack([np.zeros(sectors, int), node[0], turned[0]])
    inner, inner_next, outer, outer_next = node[:-1], turned[:-1], node[1:], turned[1:]
    one = np.stack([inner.ravel(), outer.ravel(), outer_next.ravel()])
    two = np.stack([inner.ravel(), outer_next.ravel(), inner_next.ravel()])
    # position of every vertex in (rho, twice the sector); the center has no sector
    ring = np.concatenate([[0.0], np.repeat(rho[1:], sectors)])
    twice = np.concatenate([[-1], np.tile(2 * np.arange(sectors), rings)])
    flat = MeshTri(ring * outline[:, np.maximum(twice, 0)], np.concatenate([fan, one, two], axis=1))
    a, b = flat.facets
    gap = twice[b] - twice[a]
    middle = np.where(np.abs(gap) > 2, 2 * sectors - 1, (twice[a] + twice[b]) // 2)
    middle = np.where(twice[a] < 0, twice[b], np.where(twice[b] < 0, twice[a], middle))
    between = (ring[a] + ring[b]) / 2 * outline[:, middle]
    return MeshTri2(np.concatenate([flat.p, between], axis=1), flat.t)


def solve_section(
    shape: SectionShape, core_ratio: float | None, *, sectors: int = 240, rings: int = 60
) -> dict[str, float]:
    """Return the constants of one section for D = 1."""
    points = boundary(shape, core_ratio, sectors)
    mesh = curved_mesh(points, rings)
    basis = Basis(mesh, ElementTriP2(), intorder=5)
    load = 2.0 * unit_load.assemble(basis)
    stress = solve(*condense(laplace.assemble(basis), load, D=basis.get_dofs()))
    torsion = float(load @ stress)
    # The largest stress lies on the surface: look at Gauss points of the edges of every triangle.
    edges = Basis(mesh, ElementTriP2(), quadrature=(EDGE_POINTS, np.full(6, 1 / 12)))
    steepest = float(np.sqrt((edges.interpolate(stress).grad ** 2).sum(axis=0)).max())
    low, high = principal_inertia(basis)
    return {
        "area": integral(basis, lambda x: np.ones_like(x[0])),
        "inertia_min": low,
        "inertia_max": high,
        "torsion": torsion,
        "elastic_torque": torsion / steepest,
        "plastic_torque": sand_heap(basis, shape, core_ratio),
    }


def integral(basis: Basis, value) -> float:  # noqa: ANN001
    """Integrate a function of position over the section."""
    return float(Functional(lambda w: value(w.x)).assemble(basis))


def principal_inertia(basis: Basis) -> tuple[float, float]:
    """Return the smallest and largest second moment of area about the centroid."""
    area = integral(basis, lambda x: np.ones_like(x[0]))
    cx, cy = (integral(basis, lambda x, k=k: x[k]) / area for k in (0, 1))
    xx = integral(basis, lambda x: (x[0] - cx) ** 2)
    yy = integral(basis, lambda x: (x[1] - cy) ** 2)
    xy = integral(basis, lambda x: (x[0] - cx) * (x[1] - cy))
    low, high = np.linalg.eigvalsh([[xx, xy], [xy, yy]])
    return float(low), float(high)


def sand_heap(basis: Basis, shape: SectionShape, core_ratio: float | None) -> float:
    """Return twice the volume under the distance to the surface."""
    surface = boundary(shape, core_ratio, 6_000).T
    tree = cKDTree(surface)
    return 2.0 * integral(basis, lambda x: tree.query(x.reshape(2, -1).T)[0].reshape(x.shape[1:]))


def core_ratios(shape: SectionShape) -> list[float]:
    """Return the core ratios to tabulate: multiples of the step, and the ends of the range."""
    low, high = CORE_RATIO_RANGE[shape]
    count = math.floor((high - low) / STEP + 1e-9)
    ratios = [round(low + STEP * k, 6) for k in range(count + 1)]
    return ratios if high - ratios[-1] < 1e-6 else [*ratios, high]


def main() -> None:
    """Solve every section, then write the table: it is never left half written."""
    rows = [
        [shape.name, f"{ratio:.10g}", *(f"{row[c]:.9g}" for c in COLUMNS[2:])]
        for shape in SectionShape
        for ratio in core_ratios(shape)
        if (row := solve_section(shape, ratio))
    ]
    text = io.StringIO(
        "# Constants of solid sections for a circumscribed circle D = 1: area/D2, I/D4, J/D4,\n"
        "# T/(tau D3) at first yield, fully plastic. Computed by tools/tabulate_sections.py,\n"
        f"# scikit-fem {version('scikit-fem')}, curved quadratic triangles.\n"
    )
    text.seek(0, io.SEEK_END)
    csv.writer(text, lineterminator="\n").writerows([COLUMNS, *rows])
    TABLE.write_text(text.getvalue(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
