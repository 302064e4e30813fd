"""Which rows of long arrays a table shows."""

from __future__ import annotations

from typing import Any

__all__ = ["indices_every_mm"]


def indices_every_mm(level_mm: Any, every_mm: float) -> list[int]:
    """Return the indices of the levels nearest to whole steps, each once, and of the last."""
    import numpy as np

    wanted = np.arange(0.0, float(level_mm[-1]) + 1e-9, every_mm)
    nearest = np.abs(np.asarray(level_mm)[None, :] - wanted[:, None]).argmin(axis=1)
    return sorted({int(at) for at in nearest} | {len(level_mm) - 1})
