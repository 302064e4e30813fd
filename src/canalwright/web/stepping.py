"""A sequence to walk through and to change by hand: what if this instrument, what if not as deep.

Everything is computed anew from the canal after every change; the plan it came from stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution, merged
from canalwright.shaping.shape import Pass, Shape

if TYPE_CHECKING:
    from canalwright.instruments.instrument import Instrument
    from canalwright.planning.explain import Walk
    from canalwright.planning.situation import Situation
    from canalwright.planning.types import Limits, Target

__all__ = ["Bench", "ShownStep", "SpaceScene"]


@dataclass(frozen=True, eq=False)
class SpaceScene:
    """Surfaces and marks of the 3-D view."""

    meshes: list[dict[str, Any]]
    marks: list[dict[str, Any]]


@dataclass(frozen=True, eq=False)
class ShownStep:
    """One step as tracks, in words, and what has to be said about it."""

    scene: dict[str, Any]
    sentences: tuple[str, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, eq=False)
class Bench:
    """A canal and the passes through it, in order.

    Attributes
    ----------
    canal : Canal
    target : Target
    limits : Limits
    passes : tuple of Pass
    patency : Pass or None
    image : dict or None
        Straightened image for the screen.
    """

    canal: Canal
    target: Target
    limits: Limits
    passes: tuple[Pass, ...]
    patency: Pass | None = None
    image: dict[str, Any] | None = None

    def changed(self, at: int, made: Pass) -> Bench:
        """Return the bench with one pass replaced."""
        return replace(self, passes=(*self.passes[:at], made, *self.passes[at + 1 :]))

    @cached_property
    def situation(self) -> Situation:
        """Where it starts from."""
        from canalwright.planning.situation import situated

        return situated(self.canal, self.target, self.limits, patency=self.patency)

    @cached_property
    def walk(self) -> Walk:
        """The whole sequence, every limit judged."""
        from canalwright.planning.explain import walked

        return walked(self.situation, self.passes, checks=True)

    def shown(self, at: int) -> ShownStep:
        """Return one step; worked out once."""
        if at not in self._shown:
            self._shown[at] = self._made(at)
        return self._shown[at]

    def is_shown(self, at: int) -> bool:
        """Whether a step has been worked out."""
        return at in self._shown

    def make_ready(self) -> None:
        """Load what a change by hand needs, before somebody waits for it."""
        replace(self).shown(0)

    def scene(self, at: int) -> dict[str, Any]:
        """Return one step as tracks."""
        return self.shown(at).scene

    def sentences(self, at: int) -> tuple[str, ...]:
        """Return what one step does, in words."""
        return self.shown(at).sentences

    def cautions(self, at: int) -> tuple[Caution, ...]:
        """Return what one step has to be said about."""
        return self.shown(at).cautions

    @cached_property
    def _shown(self) -> dict[int, ShownStep]:
        return {}

    def _made(self, at: int) -> ShownStep:
        from canalwright.reports.screen_tracks import step_scene
        from canalwright.reports.tables import step_sentences

        done = self.walk.steps[at]
        loads = self.situation.loads(done)
        scene = step_scene(
            self.canal,
            done,
            self.walk.shapes[at],
            loads,
            self.limits,
            image=self.image,
            key=f"{self.canal.name} {at}",
        )
        cautions = merged(done.cautions, loads.cautions)
        return ShownStep(scene, step_sentences(done, loads), cautions)

    def __getstate__(self) -> dict[str, Any]:
        # What a step was worked out from takes far more room than what is shown of it.
        left_out = ("situation", "walk")
        return {name: value for name, value in self.__dict__.items() if name not in left_out}

    @cached_property
    def broken(self) -> tuple[str, ...]:
        """One sentence for every limit that any step breaks."""
        from canalwright.planning.limits import broken
        from canalwright.planning.wording import broken_clause

        walk = self.walk
        return tuple(
            f"Step {number}, {done.made.instrument.id}, {broken_clause(margin)}."
            for number, (done, margins) in enumerate(zip(walk.steps, walk.margins, strict=True), 1)
            for margin in broken(margins)
        )

    @property
    def final(self) -> Shape:
        """The canal after the last step."""
        return self.walk.shapes[-1]

    @cached_property
    def total(self) -> str:
        """What the whole sequence comes to, in words."""
        removed = self.final.volume_mm3 - self.walk.shapes[0].volume_mm3
        at_end = self.final.inscribed_mm[0]
        return (
            f"{len(self.passes)} steps remove {removed:.2f} mm³ and leave {at_end:.2f} mm at the "
            "terminus"
        )

    def space(self, at: int) -> SpaceScene:
        """Return one step in three dimensions: root, canal before it, the instrument bent by it."""
        from canalwright.mechanics.contacts import wall_contacts
        from canalwright.mechanics.rod_in_canal import instrument_in_canal
        from canalwright.reports import screen_space

        before = self.walk.shapes[at]
        made = self.passes[at]
        now = replace(self.canal, radius_mm=before.radius_mm)
        rod = instrument_in_canal(now, made.instrument, made.tip_level_mm)
        meshes = [
            screen_space.canal_surface(self.canal, before),
            screen_space.root_surface(self.canal),
            screen_space.instrument_surface(rod, made.instrument),
        ]
        marks = screen_space.contact_marks(rod, wall_contacts(rod))
        return SpaceScene([mesh for mesh in meshes if mesh is not None], marks)


def swapped(made: Pass, instrument: Instrument) -> Pass:
    """Return a pass with another instrument to the same level."""
    return replace(made, instrument=instrument)


def taken_to(made: Pass, tip_level_mm: float) -> Pass:
    """Return a pass with its tip at another level."""
    return replace(made, tip_level_mm=tip_level_mm)
