"""Surfaces as STL files, in mm."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canalwright.exchange.files import StagedFiles

__all__ = ["write_stl"]


def write_stl(path: Path, points_mm: NDArray[np.float64], triangles: NDArray[np.int64]) -> Path:
    """Write a triangle mesh as binary STL; the format states no unit, ours is mm.

    Parameters
    ----------
    path : Path
        Replaced if it exists; on failure it is left as it was.
    points_mm : ndarray, shape (n, 3)
    triangles : ndarray of int, shape (m, 3)
    """
    import trimesh

    mesh = trimesh.Trimesh(points_mm, triangles, process=False)
    content = mesh.export(file_type="stl")
    if not isinstance(content, bytes):
        raise TypeError(f"the mesh library returned {type(content).__name__} instead of STL")
    with StagedFiles() as staged:
        staged.path_for(path).write_bytes(content)
    return path
