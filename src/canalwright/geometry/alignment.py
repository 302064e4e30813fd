"""`Alignment`: how a later state of a tooth was brought into the frame of an earlier one."""

from __future__ import annotations

from dataclasses import dataclass, field

from canalwright.geometry.movement_error import MovementError
from canalwright.geometry.rigid import Rigid

__all__ = ["Alignment"]


@dataclass(frozen=True, eq=False)
class Alignment:
    """How the state after was brought into the frame of the state before.

    Attributes
    ----------
    method : str
        Key of the method, or ``"given frame"`` where nothing was moved.
    movement : Rigid
        From the frame before to the frame after.
    error : MovementError or None
        In the frame before; None where it is not known.
    surface_gap_mm : float
        Root mean square distance of the outer surfaces; NaN where nothing was fitted.
    correlation : float
        Of gray values in the shell round the root surface; NaN for canal files.
    """

    method: str = "given frame"
    movement: Rigid = field(default_factory=Rigid)
    error: MovementError | None = None
    surface_gap_mm: float = float("nan")
    correlation: float = float("nan")
