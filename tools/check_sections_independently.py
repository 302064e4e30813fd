"""Solve some sections with another library, for the reference test of the section table.

The library is not a dependency of the project. To make the file anew::

    uv run --no-project --with sectionproperties --with-editable . \
        python tools/check_sections_independently.py
"""

from __future__ import annotations

import csv
import warnings
from importlib.metadata import version
from pathlib import Path

from sectionproperties.analysis import Section
from sectionproperties.pre import Geometry
from shapely import Polygon

from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.outlines import outline

RESULT = Path(__file__).parents[1] / "tests/reference/section_constants/independent.csv"
CASES = [
    (SectionShape.TRIANGLE, 0.35),
    (SectionShape.TRIANGLE, 0.45),
    (SectionShape.TRIANGLE, 0.66),
    (SectionShape.SQUARE, 0.55),
    (SectionShape.SQUARE, 0.8),
    (SectionShape.RECTANGLE, 0.4),
    (SectionShape.S, 0.3),
    (SectionShape.S, 0.41),
    (SectionShape.S, 0.6),
]
MESH_AREA = 1e-4


def independent_constants(shape: SectionShape, core_ratio: float) -> list[float]:
    """Return area, both second moments, J and the torque per unit of largest shear stress."""
    geometry = Geometry(Polygon(outline(shape, core_ratio, 480)))
    geometry.create_mesh(mesh_sizes=[MESH_AREA])
    section = Section(geometry)
    section.calculate_geometric_properties()
    section.calculate_warping_properties()
    inertia = sorted(float(value) for value in section.get_ip()[:2])
    stress = section.calculate_stress(mzz=1.0).get_stress()[0]["sig_zxy_mzz"]
    return [section.get_area(), *inertia, section.get_j(), 1.0 / float(abs(stress).max())]


def main() -> None:
    """Write the reference file."""
    warnings.simplefilter("ignore")
    with RESULT.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# sectionproperties {version('sectionproperties')}, D = 1\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(
            "shape core_ratio area inertia_min inertia_max torsion elastic_torque".split()
        )
        for shape, ratio in CASES:
            values = independent_constants(shape, ratio)
            writer.writerow([shape.name, ratio, *(f"{value:.7g}" for value in values)])


if __name__ == "__main__":
    main()
