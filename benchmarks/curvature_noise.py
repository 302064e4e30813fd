"""What centerline noise does to every curvature value: a table of mean error ± standard deviation.

Run as ``python benchmarks/curvature_noise.py [copies]``. Seeded; noise is Gaussian, correlated
over 0.8 mm, of the stated RMS on each axis. The table in docs/explanation/curvature.md is this
output.
"""

from __future__ import annotations

import sys

import numpy as np

from canalwright.anatomy.curvature import CurvatureSummary, summarize_centerline

STEP_MM, CORRELATION_MM = 0.1, 0.8
# Straight coronal part, radius, angle, straight apical part.
CANALS = (
    (8.0, 10.0, 30.0, 2.0),
    (8.0, 5.0, 60.0, 2.0),
    (8.0, 5.0, 60.0, 0.0),
    (8.0, 2.0, 60.0, 2.0),
)
COLUMNS = (
    ("Schneider °", lambda s: s.schneider_deg),
    ("Pruett °", lambda s: s.pruett_deg),
    ("Pruett R mm", lambda s: s.pruett_radius_mm),
    ("Weine °", lambda s: s.weine_deg),
    ("long axis °", lambda s: s.long_axis_deg),
    ("Luiten °", lambda s: s.luiten_deg),
    ("access °", lambda s: s.access_angle_deg),
    ("turning °", lambda s: s.total_turning_deg),
    ("smallest R mm", lambda s: s.radius_min_mm),
)  # fmt: skip


def canal_mm(coronal_mm: float, radius_mm: float, angle_deg: float, apical_mm: float) -> np.ndarray:
    """Return the points of a canal, terminus first."""
    bend = np.radians(angle_deg)
    length = coronal_mm + radius_mm * bend + apical_mm
    s = np.linspace(0.0, length, round(length / STEP_MM) + 1)
    turn = np.clip((s - coronal_mm) / radius_mm, 0.0, bend)
    rest = np.clip(s - coronal_mm - radius_mm * bend, 0.0, None)
    z = np.minimum(s, coronal_mm) + radius_mm * np.sin(turn) + rest * np.cos(bend)
    x = radius_mm * (1.0 - np.cos(turn)) + rest * np.sin(bend)
    return np.column_stack([x, np.zeros_like(x), z])[::-1]


def noise_mm(rng: np.random.Generator, count: int, rms_mm: float) -> np.ndarray:
    """Return correlated noise, shape (count, 3)."""
    reach = round(5 * CORRELATION_MM / STEP_MM)
    kernel = np.exp(-((np.arange(-reach, reach + 1) * STEP_MM / CORRELATION_MM) ** 2))
    kernel /= np.linalg.norm(kernel)
    white = rng.normal(size=(count + 2 * reach, 3))
    return rms_mm * np.column_stack([np.convolve(white[:, k], kernel, "valid") for k in range(3)])


def cells(true: CurvatureSummary, found: list[CurvatureSummary]) -> list[str]:
    """Return mean error ± standard deviation per column."""
    row = []
    for _, read in COLUMNS:
        errors = np.array([read(summary) - read(true) for summary in found])
        row.append(f"{errors.mean():+.2f} ± {errors.std():.2f}")
    return row


def main() -> None:
    """Print the table."""
    copies = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    print("| canal | noise µm | " + " | ".join(name for name, _ in COLUMNS) + " |")
    print("|" + "---|" * (2 + len(COLUMNS)))
    for shape in CANALS:
        points = canal_mm(*shape)
        true = summarize_centerline(points)
        name = f"R {shape[1]:g}, {shape[2]:g}°, apical {shape[3]:g} mm"
        for rms_mm in (0.005, 0.02):
            rng = np.random.default_rng(7)
            noisy = [points + noise_mm(rng, len(points), rms_mm) for _ in range(copies)]
            row = cells(true, [summarize_centerline(one) for one in noisy])
            print(f"| {name} | {rms_mm * 1000:g} | " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()
