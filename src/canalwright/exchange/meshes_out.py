"""Canals as surfaces for other programs: STL, 3MF, glTF, OBJ, PLY."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from canalwright.anatomy.canal import Canal
from canalwright.errors import UnknownName
from canalwright.exchange.solid_files import NamedMesh, stl_bytes, three_mf_bytes
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.tube import canal_tube

__all__ = ["SURFACE_FORMATS", "canal_meshes", "surface_bytes"]

SURFACE_FORMATS: Final = ("stl", "3mf", "glb", "obj", "ply")

_NOTE: Final = "Estimated from an image; not measured in the tooth."
_METERS_PER_MM: Final = 0.001


def canal_meshes(canals: Sequence[Canal]) -> list[NamedMesh]:
    """Return the wall of every canal as a closed surface in the space of the canals."""
    tubes = [(canal.name, canal_tube(CanalAxis.of(canal), canal.radius_mm)) for canal in canals]
    return [NamedMesh(name, tube.point_mm, tube.triangle) for name, tube in tubes]


def surface_bytes(meshes: Sequence[NamedMesh], kind: str) -> bytes:
    """Return surfaces in one file.

    In mm, except for glTF (``glb``), whose unit is the meter by its specification. STL and PLY keep
    no names; the other formats keep one object for each surface.

    Raises
    ------
    UnknownName
        If the kind is none of `SURFACE_FORMATS`.
    """
    if kind not in SURFACE_FORMATS:
        raise UnknownName(kind="surface format", got=kind, known=SURFACE_FORMATS)
    if kind == "stl":
        return stl_bytes(meshes, _NOTE)
    if kind == "3mf":
        return three_mf_bytes(meshes, title="Root canals", description=_NOTE)
    content = _exported(meshes, kind)
    return content.encode() if isinstance(content, str) else bytes(content)


def _exported(meshes: Sequence[NamedMesh], kind: str) -> Any:
    from importlib import import_module

    # Some of its functions have no types, others have wrong ones.
    trimesh: Any = import_module("trimesh")

    scale = _METERS_PER_MM if kind == "glb" else 1.0
    made = [
        trimesh.Trimesh(np.asarray(mesh.point_mm) * scale, mesh.triangle, process=False)
        for mesh in meshes
    ]
    if kind == "ply":
        return trimesh.util.concatenate(made).export(file_type=kind)
    scene = trimesh.Scene()
    for mesh, surface in zip(meshes, made, strict=True):
        scene.add_geometry(surface, node_name=mesh.name, geom_name=mesh.name)
    return scene.export(file_type=kind)
