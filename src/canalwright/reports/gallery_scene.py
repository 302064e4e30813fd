"""What the gallery shows when nothing is named: an invented canal, instruments, two sequences."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import UsageError
from canalwright.evidence import Evidence
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.load_report import LoadReport, load_report
from canalwright.planning.patency import patency_pass
from canalwright.planning.simulation import OffCenter, Simulation, simulate
from canalwright.planning.single_step import shape_after
from canalwright.planning.types import Target
from canalwright.shaping.shape import Pass
from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal
from canalwright.teaching.consequences import ASSUMED_FATIGUE_TEST

__all__ = ["GalleryScene", "gallery_scene"]

_SEQUENCES: Final = {
    "A": (
        "hand-10-02",
        "hand-15-02",
        "hand-20-02",
        "engine-20-04",
        "engine-25-04",
        "engine-30-04",
    ),
    "B": ("hand-10-02", "engine-30-04"),
}
_INSTRUMENTS: Final = ("hand-10-02", "hand-25-02", "engine-25-04", "engine-25-06")


@dataclass(frozen=True, eq=False)
class GalleryScene:
    """What gallery figures are drawn from.

    Attributes
    ----------
    canal : Canal
    second : Canal
        Another canal, for fatigue of one instrument in two.
    instruments : tuple of Instrument
        For profiles and strain; the last one is taken for loads.
    sequences : tuple of (name, tuple of Pass)
        At least two; the first one is taken where one is enough.
    patency : Pass or None
    target : Target
    parameters : LoadParameters
    """

    canal: Canal
    second: Canal
    instruments: tuple[Instrument, ...]
    sequences: tuple[tuple[str, tuple[Pass, ...]], ...]
    patency: Pass | None
    target: Target
    parameters: LoadParameters

    @property
    def invented(self) -> bool:
        """Whether its canal is made up."""
        return self.canal.provenance.invented

    @cached_property
    def concentric(self) -> tuple[tuple[str, Simulation], ...]:
        """Every sequence carried out on the axis of the canal."""
        return tuple(
            (name, simulate(self.canal, passes, self.target, patency=self.patency))
            for name, passes in self.sequences
        )

    @cached_property
    def led(self) -> Simulation:
        """The first sequence with every instrument where the rod model places it."""
        return simulate(
            self.canal,
            self.sequences[0][1],
            self.target,
            patency=self.patency,
            off_center=OffCenter(),
        )

    @cached_property
    def loads(self) -> LoadReport:
        """Loads of the last pass of the first sequence."""
        passes = self.sequences[0][1]
        before = shape_after(self.canal, passes[:-1], self.patency)
        return load_report(self.canal, before, passes[-1], parameters=self.parameters)


def gallery_scene(
    canal: Canal | None = None,
    *,
    instruments: tuple[Instrument, ...] = (),
    sequences: tuple[tuple[str, tuple[Pass, ...]], ...] = (),
    patency: Pass | None = None,
    target: Target = Target(),  # noqa: B008
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
) -> GalleryScene:
    """Return a scene, with invented parts for what is not given.

    Parameters
    ----------
    canal : Canal, optional
        An invented curved canal by default.
    instruments : tuple of Instrument
    sequences : tuple of (name, tuple of Pass)
        Two by default.
    patency : Pass, optional
        Hand file 08, 1 mm past the terminus, where no sequence is given either.
    target : Target
    parameters : LoadParameters
        Where they hold no fatigue test, an assumed one is put in (`ASSUMED_FATIGUE_TEST`).

    Raises
    ------
    UsageError
        If one sequence only is given, or one of them is empty.
    """
    if sequences and (len(sequences) < 2 or not all(passes for _, passes in sequences)):
        raise UsageError("A figure of two protocols needs two sequences with at least one pass.")
    if parameters.fatigue_coefficient is None and not parameters.own_fatigue_coefficients:
        strain, cycles = ASSUMED_FATIGUE_TEST
        parameters = parameters.with_fatigue_test(strain, cycles, evidence=Evidence.ASSUMED)
    if not sequences and patency is None:
        patency = patency_pass(find_instrument("hand-08-02"))
    return GalleryScene(
        canal=canal or _apical_bend(),
        second=_coronal_bend(),
        instruments=instruments or tuple(map(find_instrument, _INSTRUMENTS)),
        sequences=sequences
        or tuple(
            (name, tuple(Pass(find_instrument(one)) for one in ids))
            for name, ids in _SEQUENCES.items()
        ),
        patency=patency,
        target=target,
        parameters=parameters,
    )


def _apical_bend() -> Canal:
    design = CanalDesign(14.0, (Bend(35.0, 6.0),), 1.5, 10, 0.03, name="invented canal")
    return designed_canal(design)


def _coronal_bend() -> Canal:
    design = CanalDesign(14.0, (Bend(30.0, 6.0),), 4.0, 10, 0.03, name="second invented canal")
    return designed_canal(design)
