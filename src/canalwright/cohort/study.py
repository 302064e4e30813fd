"""A study of virtual canals: in parts of a fixed size that are computed once and kept."""

from __future__ import annotations

import dataclasses
import io
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np

from canalwright.cohort.keeping import key_of, put_bytes
from canalwright.cohort.libraries import needed
from canalwright.cohort.populations import Population
from canalwright.cohort.protocol_loads import (
    COARSE,
    PassResult,
    Protocols,
    Resolution,
    fatigue_fraction,
    separation_probability,
)
from canalwright.cohort.running import Executor, outcomes
from canalwright.cohort.virtual import Traits, canal_of, drawn_traits
from canalwright.errors import CanalwrightError, OutOfRange
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.shaping.shape import Pass

__all__ = ["MEASURES", "TRAITS", "Study", "StudyRun", "run_study"]

PURPOSE: Final = "Comparing protocols over a population"
PART: Final = 250
"""Canals in one part; parts are kept whole, so a run that is stopped loses at most those at work.
"""
MOST_CANALS: Final = 10_000_000

MEASURES: Final = {
    "step_percent": "largest step, %",
    "step_mm": "largest step, mm",
    "torque_ncm": "peak torque, N·cm",
    "torque_fraction": "torque over torsional strength",
    "strain_percent": "surface strain, %",
    "fatigue_fraction": "share of fatigue life used",
    "wall_left_mm": "thinnest wall left, mm",
    "removed_mm3": "dentin removed, mm³",
    "shift_mm": "shift of the canal, mm",
    "working_s": "time in the canal, s",
    "separation_probability": "probability of separation",
}
TRAITS: Final = {
    "length_mm": "length of the canal, mm",
    "angle_deg": "turning of the curve, °",
    "curve_radius_mm": "radius of the curve, mm",
    "narrow_1_mm": "narrow width at 1 mm, mm",
    "wide_1_mm": "wide width at 1 mm, mm",
    "taper_mm_per_mm": "taper above 4 mm, mm/mm",
    "wall_before_mm": "thinnest wall before, mm",
    "energy_j_per_mm3": "cutting energy of the dentin, J/mm³",
    "friction_coefficient": "friction coefficient",
}


@dataclass(frozen=True, eq=False)
class Study:
    """Protocols over a population.

    Attributes
    ----------
    population : Population
    protocols : tuple of (name, passes)
    parameters : LoadParameters
        Usual values; every canal has cutting energy and friction of its own about them.
    count, seed : int
    resolution : Resolution

    Raises
    ------
    OutOfRange
        If the count is not within 1 to 10 million, or there is no protocol.
    """

    population: Population
    protocols: tuple[tuple[str, tuple[Pass, ...]], ...]
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS
    count: int = 10_000
    seed: int = 0
    resolution: Resolution = COARSE

    def __post_init__(self) -> None:
        for name, got, most in (
            ("number of canals", self.count, MOST_CANALS),
            ("number of protocols", len(self.protocols), 50),
        ):
            if not 1 <= got <= most:
                raise OutOfRange(name=name, got=got, unit="", allowed=(1, most))

    @property
    def key(self) -> str:
        """Key of all that results depend on; not the number of canals."""
        protocols = [(name, [dataclasses.asdict(p) for p in made]) for name, made in self.protocols]
        return key_of(
            dataclasses.asdict(self.population),
            protocols,
            dataclasses.asdict(self.parameters),
            dataclasses.asdict(self.resolution),
            self.seed,
            PART,
        )

    @cached_property
    def ready(self) -> Protocols:
        """The protocols, made ready for many canals."""
        protocols = tuple(passes for _, passes in self.protocols)
        return Protocols.of(protocols, resolution=self.resolution)

    def parts(self) -> Iterator[tuple[int, int]]:
        """Yield first and last number, the latter not included, of every part."""
        for first in range(0, self.count, PART):
            yield first, min(first + PART, self.count)


@dataclass(frozen=True, slots=True)
class StudyRun:
    """Where the results of a study lie.

    Attributes
    ----------
    parts : tuple of Path
        Parquet files in the order of the canals; one row for every canal and protocol.
    reused : int
        How many of them were kept from earlier runs.
    failed : tuple of (str, str)
        Parts that could not be computed, with the reason.
    """

    parts: tuple[Path, ...]
    reused: int
    failed: tuple[tuple[str, str], ...]


def run_study(
    study: Study,
    folder: Path,
    executor: Executor = Executor(),  # noqa: B008
    *,
    progress: Callable[[float], None] | None = None,
    on_dashboard: Callable[[str], None] | None = None,
) -> StudyRun:
    """Carry out a study; parts that are there from earlier runs are not computed again.

    Parameters
    ----------
    study : Study
    folder : Path
        Parts are kept in ``parts-KEY`` in it.
    executor : Executor
        Results do not depend on it.
    progress : callable, optional
    on_dashboard : callable, optional

    Raises
    ------
    MissingExtra
        If an optional library is not installed.
    """
    needed("pyarrow", PURPOSE)
    report = progress or (lambda _share: None)
    room = folder / f"parts-{study.key[:12]}"
    places = {f"{a:08d}-{b:08d}": (a, b) for a, b in study.parts()}
    todo = {n: span for n, span in places.items() if not (room / f"{n}.parquet").exists()}
    reused, failed = len(places) - len(todo), []
    done = reused
    tasks = ((name, (study, *span)) for name, span in todo.items())
    for one in outcomes(_part, tasks, executor, on_dashboard=on_dashboard) if todo else ():
        if one.reason:
            failed.append((one.name, one.reason))
        else:
            put_bytes(room / f"{one.name}.parquet", one.result)
        done += 1
        report(done / len(places))
    lost = {name for name, _ in failed}
    kept = tuple(room / f"{name}.parquet" for name in places if name not in lost)
    return StudyRun(kept, reused, tuple(sorted(failed)))


def _part(task: tuple[Study, int, int]) -> bytes:
    """Return the rows of one part as a Parquet file."""
    import pyarrow
    import pyarrow.parquet

    study, first, last = task
    rows = [row for index in range(first, last) for row in canal_rows(study, index)]
    columns = {name: [row[name] for row in rows] for name in rows[0]}
    sink = io.BytesIO()
    pyarrow.parquet.write_table(pyarrow.table(columns), sink, compression="zstd")
    return sink.getvalue()


def canal_rows(study: Study, index: int) -> list[dict[str, Any]]:
    """Return one row per protocol for the canal with a number."""
    traits = drawn_traits(study.population, study.seed, index)
    parameters = _of_tooth(study.parameters, traits)
    common = {"canal": index, **_trait_values(traits, parameters)}
    try:
        found = study.ready.carried_out(canal_of(traits, study.population), parameters)
        measures = [_measures(results, study.population) for results in found]
        reason = ""
    except CanalwrightError as error:
        measures = [dict.fromkeys(MEASURES, math.nan) | {"at_rest": False}] * len(study.protocols)
        reason = str(error)
    return [
        {"protocol": name, **common, **one, "reason": reason}
        for (name, _), one in zip(study.protocols, measures, strict=True)
    ]


def _of_tooth(usual: LoadParameters, traits: Traits) -> LoadParameters:
    energy, friction = usual.specific_cutting_energy_j_per_mm3, usual.friction_coefficient
    return dataclasses.replace(
        usual,
        specific_cutting_energy_j_per_mm3=dataclasses.replace(
            energy, value=energy.value * traits.energy_factor
        ),
        friction_coefficient=dataclasses.replace(
            friction, value=friction.value * traits.friction_factor
        ),
    )


def _trait_values(traits: Traits, parameters: LoadParameters) -> dict[str, float]:
    return {
        "length_mm": traits.length_mm,
        "angle_deg": traits.angle_deg,
        "curve_radius_mm": traits.radius_mm,
        "narrow_1_mm": traits.narrow_mm[0],
        "wide_1_mm": traits.wide_mm[0],
        "taper_mm_per_mm": traits.taper_mm_per_mm,
        "wall_before_mm": traits.wall_min_mm,
        "energy_j_per_mm3": parameters.specific_cutting_energy_j_per_mm3.value,
        "friction_coefficient": parameters.friction_coefficient.value,
    }


def _measures(results: tuple[PassResult, ...], population: Population) -> dict[str, Any]:
    return {
        "step_percent": max(one.step_percent for one in results),
        "step_mm": max(one.step_mm for one in results),
        "torque_ncm": max(one.torque_ncm for one in results),
        "torque_fraction": max(one.torque_fraction for one in results),
        "strain_percent": 100.0 * max(one.strain for one in results),
        "fatigue_fraction": fatigue_fraction(results),
        "wall_left_mm": results[-1].wall_left_mm,
        "removed_mm3": float(np.sum([one.removed_mm3 for one in results])),
        "shift_mm": results[-1].shift_mm,
        "working_s": float(np.sum([one.time_s for one in results])),
        "separation_probability": separation_probability(
            results, population["strength_spread"][0], population["life_spread"][0]
        ),
        "at_rest": all(one.at_rest for one in results),
    }
