"""Surfaces of canals as files for other programs: STL, PLY."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from canalwright.exchange.files import StagedFiles
from canalwright.shaping.tube import CanalTube

__all__ = ["MESH_FORMATS", "stage_mesh", "stage_meshes"]

MESH_FORMATS: Final = ("ply", "stl")


def stage_mesh(staged: StagedFiles, tube: CanalTube, path: Path) -> Path:
    """Stage a surface in mm, in the format of the file's ending; return where it will be.

    Neither format states a unit: coordinates are those of the canal's axis in mm.
    """
    import trimesh

    mesh = trimesh.Trimesh(tube.point_mm, tube.triangle, process=False)
    mesh.export(staged.path_for(path), file_type=path.suffix.lstrip("."))
    return path


def stage_meshes(
    staged: StagedFiles, folder: Path, named: Iterable[tuple[str, CanalTube]], kind: str
) -> list[Path]:
    """Stage one surface per name; return where they will be.

    Parameters
    ----------
    staged : StagedFiles
    folder : Path
    named : iterable of (stem, CanalTube)
    kind : str
        One of `MESH_FORMATS`.
    """
    return [stage_mesh(staged, tube, folder / f"{stem}.{kind}") for stem, tube in named]
