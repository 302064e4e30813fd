"""One pass after a list of earlier ones, with its loads."""

from __future__ import annotations

from canalwright.anatomy.canal import Canal
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.concentric import PassLoads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.loads import pass_loads
from canalwright.planning.situation import canal_curvature_per_mm
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.shaping.shape import Pass, Shape, Step, cut, step

__all__ = ["shape_after", "step_after"]


def shape_after(canal: Canal, after: tuple[Pass, ...] = (), patency: Pass | None = None) -> Shape:
    """Return the canal as earlier passes, in any order, and a patency file have left it."""
    shape = Shape.of(canal)
    for earlier in (*(() if patency is None else (patency,)), *after):
        shape = cut(shape, earlier)
    return shape


def step_after(
    canal: Canal,
    instrument: Instrument | Pass,
    after: tuple[Pass, ...] = (),
    patency: Pass | None = None,
    *,
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
    times: TimeModel = DEFAULT_TIMES,
) -> tuple[Step, PassLoads]:
    """Compute one pass through a canal as earlier passes have left it.

    Parameters
    ----------
    canal : Canal
    instrument : Instrument or Pass
        An instrument goes to the terminus.
    after : tuple of Pass
        Earlier passes; their order does not matter in the concentric model.
    patency : Pass or None
        A file worked past the terminus first.
    parameters : LoadParameters
    times : TimeModel
        Gives the assumed time and, for hand instruments, speed of the pass.

    Returns
    -------
    Step, PassLoads

    Raises
    ------
    OutOfRange
        If the canal is closed somewhere.
    """
    made = instrument if isinstance(instrument, Pass) else Pass(instrument)
    done = step(shape_after(canal, after, patency), made)
    return done, pass_loads(done, canal_curvature_per_mm(canal), parameters, times)
