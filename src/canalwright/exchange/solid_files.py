"""Solids as files for printers: binary STL, and 3MF with unit, name and a note."""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from canalwright import __version__
from canalwright.errors import OutOfRange

__all__ = ["CORE_NAMESPACE", "NamedMesh", "stl_bytes", "three_mf_bytes"]

CORE_NAMESPACE: Final = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
"""Namespace of the core specification of 3MF."""

_TYPES: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" '
    'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>\n'
)
_RELATIONS: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rel0" Target="/3D/3dmodel.model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>\n'
)
_ZERO_TIME: Final = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, eq=False)
class NamedMesh:
    """A closed surface with a name.

    Attributes
    ----------
    name : str
    point_mm : ndarray, shape (n, 3)
    triangle : ndarray of int, shape (m, 3)
    """

    name: str
    point_mm: NDArray[np.float64]
    triangle: NDArray[np.int64]


def stl_bytes(meshes: Sequence[NamedMesh], note: str = "") -> bytes:
    """Return surfaces as one binary STL in mm; the format itself states no unit.

    Parameters
    ----------
    meshes : sequence of NamedMesh
    note : str
        Written into the header of 80 bytes, as far as it fits.
    """
    record = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("extra", "<u2")])
    rows = np.zeros(sum(len(mesh.triangle) for mesh in meshes), record)
    corners = np.concatenate([mesh.point_mm[mesh.triangle] for mesh in meshes])
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    rows["normal"] = normal / np.where(length > 0.0, length, 1.0)
    rows["corner"] = corners
    # A header that begins with "solid" would be taken for the text form of the format.
    head = f"Canalwright {__version__}, mm. {note}".encode("ascii", "replace")[:80].ljust(80)
    return head + struct.pack("<I", len(rows)) + bytes(rows.tobytes())


def three_mf_bytes(meshes: Sequence[NamedMesh], *, title: str, description: str = "") -> bytes:
    """Return surfaces as a 3MF package, one object each, in millimeters.

    The same surfaces give the same bytes.

    Parameters
    ----------
    meshes : sequence of NamedMesh
    title, description : str
        Metadata of the core specification.

    Raises
    ------
    OutOfRange
        If a surface has no triangles.
    """
    for mesh in meshes:
        if len(mesh.triangle) == 0:
            raise OutOfRange(
                name=f"number of triangles of {mesh.name!r}", got=0, unit="", allowed=(1, None)
            )
    parts = {
        "[Content_Types].xml": _TYPES,
        "_rels/.rels": _RELATIONS,
        "3D/3dmodel.model": _model(meshes, title, description),
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            entry = zipfile.ZipInfo(name, _ZERO_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, text.encode())
    return packed.getvalue()


def _model(meshes: Sequence[NamedMesh], title: str, description: str) -> str:
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<model unit="millimeter" xml:lang="en-US" xmlns="{CORE_NAMESPACE}">\n'
        f'<metadata name="Title">{escape(title)}</metadata>\n'
        f'<metadata name="Description">{escape(description)}</metadata>\n'
        f'<metadata name="Application">Canalwright {escape(__version__)}</metadata>\n<resources>\n'
    )
    objects = "".join(_object(at + 1, mesh) for at, mesh in enumerate(meshes))
    items = "".join(f'<item objectid="{at + 1}"/>' for at in range(len(meshes)))
    return f"{head}{objects}</resources>\n<build>{items}</build>\n</model>\n"


def _object(number: int, mesh: NamedMesh) -> str:
    vertices = "\n".join(
        f'<vertex x="{x:.6f}" y="{y:.6f}" z="{z:.6f}"/>' for x, y, z in mesh.point_mm.tolist()
    )
    triangles = "\n".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.triangle.tolist()
    )
    return (
        f'<object id="{number}" type="model" name={quoteattr(mesh.name)}>\n<mesh>\n'
        f"<vertices>\n{vertices}\n</vertices>\n<triangles>\n{triangles}\n</triangles>\n"
        "</mesh>\n</object>\n"
    )
