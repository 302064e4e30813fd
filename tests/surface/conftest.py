"""An invented canal, an image of it and a plan by hand, for the figures and the report."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.cautions import CLINICAL_CAUTIONS, Caution
from canalwright.evidence import Evidence, Graded
from canalwright.geometry.sections import ellipse_radius_mm
from canalwright.imaging.scan import Scan
from canalwright.instruments.instrument import Kind
from canalwright.instruments.standard import instrument_from_id
from canalwright.mechanics.concentric import concentric_loads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning.types import (
    Limits,
    Margin,
    Plan,
    PlannedStep,
    PlanResult,
    Rejection,
    Target,
    Totals,
)
from canalwright.shaping.shape import Pass, Shape, cut, step

STOP_REFERENCE_MM = 18.5


@dataclass(frozen=True, eq=False)
class Sample:
    canal: Canal
    result: PlanResult
    curvature_per_mm: np.ndarray


@dataclass(frozen=True, eq=False)
class Image:
    """Gray values along the canal, as the straightening of a scan returns them."""

    image: np.ndarray
    level_mm: np.ndarray
    across_mm: np.ndarray
    rotation_deg: float


def invented_canal(length_mm: float = 13.0, *, outer_known: bool = True) -> Canal:
    level = np.linspace(0.0, length_mm, round(length_mm / 0.1) + 1)
    bend = 35.0 * np.pi / 180.0 * np.clip((8.0 - level) / 8.0, 0.0, 1.0) ** 1.3
    tangent = np.column_stack([np.sin(bend), 0.0 * level, np.cos(bend)])
    center = np.vstack([np.zeros(3), np.cumsum(np.diff(level)[:, None] * tangent[1:], axis=0)])
    direction0 = np.column_stack([np.cos(bend), 0.0 * level, -np.sin(bend)])
    wide = 0.20 + 0.055 * level + 0.1 * np.sin(level / 3.0) ** 2
    narrow = 0.105 + 0.032 * level
    radius = ellipse_radius_mm(wide, narrow, 0.4)
    wall = 0.85 + 0.055 * level + 0.25 * (level / length_mm) ** 3
    outer = ellipse_radius_mm(3.2 + 0.1 * level, 2.0 * wall + narrow, 0.4)
    n = len(level)
    return Canal(
        name="mesiobuccal",
        level_mm=level,
        centerline_mm=center + np.array([12.0, 10.0, 4.0]),
        direction0=direction0,
        radius_mm=radius,
        outer_radius_mm=outer if outer_known else np.full_like(outer, np.nan),
        diameter_sd_mm=np.full(n, 0.02),
        narrow_sd_mm=np.full(n, 0.02),
        wide_sd_mm=np.full(n, 0.03),
        dentin_sd_mm=np.full(n, 0.05),
        provenance=Provenance(
            source="invented lower molar",
            digest="ab" * 32,
            methods=("path.tubeness", "size.deficit"),
            spacing_mm=(0.125, 0.125, 0.125),
            spacing_origin="header",
            invented=True,
        ),
        cautions=(Caution("INVENTED_DATA", "Invented data: not a patient.", "project rule"),),
    )


def _curvature(canal: Canal) -> np.ndarray:
    tangent = np.gradient(canal.centerline_mm, canal.level_mm, axis=0)
    return np.linalg.norm(np.gradient(tangent, canal.level_mm, axis=0), axis=1)


SEQUENCE = (
    ("hand-10-02", 0.0, "scout"),
    ("engine-25-06", 7.0, "crown-down"),
    ("hand-15-02", 0.0, "glide path"),
    ("engine-20-04", 0.0, "shaping"),
    ("engine-25-04", 0.0, "shaping"),
    ("engine-30-04", 0.0, "finishing"),
)


def _planned(made, shape, curvature, purpose) -> PlannedStep:
    done = step(shape, made)
    engine = made.instrument.kind is Kind.ENGINE
    loads = concentric_loads(
        made.instrument,
        done.level_mm,
        curvature,
        made.tip_level_mm,
        done.area_after_mm2 - done.area_before_mm2,
        speed_rpm=300.0 if engine else 60.0,
        advance_time_s=8.0,
        parameters=DEFAULT_LOAD_PARAMETERS,
    )
    worst = int(np.argmax(done.step_percent))
    value = float(done.step_percent[worst])
    return PlannedStep(
        step=done,
        loads=loads,
        purpose=purpose,
        speed_rpm=Graded(300.0, "rpm", Evidence.PRACTICE) if engine else None,
        torque_limit_ncm=Graded(2.0, "N·cm", Evidence.PRACTICE) if engine else None,
        stop_mm=STOP_REFERENCE_MM - made.tip_level_mm,
        margins=(
            Margin(
                "step_percent" if engine else "hand_step_percent",
                value,
                60.0,
                "%",
                float(done.level_mm[worst]),
                value / 60.0,
            ),
        ),
        reasons=(
            f"Prepares the next instrument: engages {done.engaged_length_mm:.1f} mm.",
            f"Largest step {value:.0f} % at level {done.level_mm[worst]:.1f} mm.",
        ),
    )


def invented_plan(canal: Canal) -> Sample:
    curvature = _curvature(canal)
    start = cut(Shape.of(canal), Pass(instrument_from_id("hand-08-02"), -1.0, 0.01))
    shape, steps = start, []
    for name, tip_level_mm, purpose in SEQUENCE:
        made = Pass(instrument_from_id(name), tip_level_mm)
        planned = _planned(made, shape, curvature, purpose)
        steps.append(planned)
        shape = planned.step.after
    total = sum(s.step.removed_mm3 for s in steps)
    plan = Plan(tuple(steps), Totals(len(steps), 240.0, total, 0.93), shape)
    shorter = Plan(tuple(steps[:-1]), Totals(len(steps) - 1, 200.0, total * 0.9, 0.99), shape)
    result = PlanResult(
        canal_name=canal.name,
        target=Target(30, 0.04, 10.0),
        limits=Limits(step_percent=Graded(60.0, "%", Evidence.PRACTICE)),
        start=start,
        plans=(plan, shorter),
        rejected=(
            Rejection(
                "engine-35-06",
                "step_percent",
                88.0,
                50.0,
                "%",
                "engine-35-06 would step 88 % at level 0.0 mm; the limit is 50 %.",
            ),
            Rejection("hand-08-02", "no_cut", None, None, "", "hand-08-02 would cut nothing."),
        ),
        statement="Exact for concentric passes from this tray at the depths tried.",
        cautions=CLINICAL_CAUTIONS,
    )
    return Sample(canal, result, curvature)


def invented_image(canal: Canal) -> Image:
    across = np.arange(-1.6, 1.6001, 0.04)
    radius = canal.radius_mm[:, [4]]
    lumen = 1.0 / (1.0 + np.exp((np.abs(across)[None, :] - radius) / 0.05))
    noise = np.random.default_rng(7).normal(0.0, 60.0, lumen.shape)
    return Image(1800.0 - 1500.0 * lumen + noise, canal.level_mm, across, 22.5)


def invented_scan(*, oriented: bool = True) -> Scan:
    z, y, x = np.meshgrid(np.arange(70), np.arange(60), np.arange(80), indexing="ij")
    root = ((x - 48) / 14.0) ** 2 + ((y - 33) / 9.0) ** 2 < 1.0
    canal = ((x - 48) / 2.0) ** 2 + ((y - 33) / 1.5) ** 2 < 1.0
    voxels = np.where(canal, 200.0, np.where(root, 1800.0, 700.0))
    voxels = voxels + np.random.default_rng(3).normal(0.0, 60.0, z.shape)
    return Scan(voxels, (0.3, 0.3, 0.25), oriented=oriented, source="invented", invented=True)


@pytest.fixture(scope="session")
def canal() -> Canal:
    return invented_canal()


@pytest.fixture(scope="session")
def sample(canal: Canal) -> Sample:
    return invented_plan(canal)


@pytest.fixture(scope="session")
def straightened(canal: Canal) -> Image:
    return invented_image(canal)


@pytest.fixture(scope="session")
def scan() -> Scan:
    return invented_scan()
