"""Volumes left on disk: voxels that lie there raw are read where they are asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

__all__ = ["StoredVolume", "left_on_disk"]

SLAB_BYTES = 1 << 24

Finish = Callable[[NDArray[np.generic]], NDArray[np.generic]]


def _as_stored(block: NDArray[np.generic]) -> NDArray[np.generic]:
    return block


@dataclass(frozen=True, eq=False)
class StoredVolume:
    """A box of a raw volume in a file, indexed like an array.

    Slices give a smaller box, still on disk; `numpy.asarray` and everything that asks for an
    array reads it. The file must stay as it is.

    Attributes
    ----------
    path : Path
    first_byte : int
        Byte where the first voxel of the file's volume lies.
    kind : dtype
        Type of a stored voxel, with its byte order.
    full : tuple of int
        Voxels along (z, y, x) of the file's volume.
    dtype : dtype
        Type of the gray values that reading gives.
    low, shape : tuple of int
        The box: its first voxel, and how many there are along (z, y, x).
    finish : callable
        Turns stored values in native byte order into gray values.
    """

    path: Path
    first_byte: int
    kind: np.dtype[Any]
    full: tuple[int, int, int]
    dtype: np.dtype[Any]
    low: tuple[int, int, int]
    shape: tuple[int, int, int]
    finish: Finish = _as_stored

    @classmethod
    def opened(
        cls, path: Path, first_byte: int, kind: DTypeLike, shape: tuple[int, int, int]
    ) -> StoredVolume:
        """Return the whole volume of a file, nothing of it read."""
        stored = np.dtype(kind)
        return cls(path, first_byte, stored, shape, stored.newbyteorder("="), (0, 0, 0), shape)

    @property
    def ndim(self) -> int:
        """Number of axes, 3."""
        return 3

    @property
    def size(self) -> int:
        """Number of voxels."""
        z, y, x = self.shape
        return z * y * x

    @property
    def nbytes(self) -> int:
        """Bytes that the box takes once it is read."""
        return self.size * self.dtype.itemsize

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any) -> Any:
        sides = key if isinstance(key, tuple) else (key,)
        plain = all(isinstance(side, slice) and side.step in (None, 1) for side in sides)
        if not plain or len(sides) > 3:
            return self._picked(sides)
        ends = [side.indices(n) for side, n in zip(sides, self.shape, strict=False)]
        ends += [(0, n, 1) for n in self.shape[len(ends) :]]
        low = [first + begin for first, (begin, _, _) in zip(self.low, ends, strict=True)]
        count = [max(end - begin, 0) for begin, end, _ in ends]
        return replace(self, low=(low[0], low[1], low[2]), shape=(count[0], count[1], count[2]))

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:
        out = np.empty(self.shape, self.dtype if dtype is None else dtype)
        with self.path.open("rb") as file:
            for z in range(self.shape[0]):
                out[z] = self._plane(file, z)
        return out

    def astype(self, dtype: DTypeLike) -> NDArray[Any]:
        """Return the box as an array of another type."""
        return np.asarray(self, dtype)

    def slabs(self) -> Iterator[NDArray[Any]]:
        """Read the box part by part along z."""
        _, y, x = self.shape
        count = max(1, SLAB_BYTES // max(y * x * self.dtype.itemsize, 1))
        for z in range(0, self.shape[0], count):
            yield np.asarray(self[z : z + count])

    def finished(self, finish: Finish, dtype: DTypeLike) -> StoredVolume:
        """Return the volume with another step between stored and gray values."""
        before = self.finish
        return replace(self, finish=lambda block: finish(before(block)), dtype=np.dtype(dtype))

    def _picked(self, sides: tuple[Any, ...]) -> NDArray[Any]:
        """Read what is not a box: single planes, and every k-th voxel."""
        first, rest = sides[0], sides[1:]
        if isinstance(first, slice):
            chosen = range(*first.indices(len(self)))
            return np.stack([np.asarray(self[z : z + 1])[0][rest] for z in chosen])
        z = range(len(self))[first]
        return np.asarray(np.asarray(self[z : z + 1])[0][rest])

    def _plane(self, file: Any, z: int) -> NDArray[Any]:
        _, ny, nx = self.full
        first = (self.low[0] + z) * ny + self.low[1]
        file.seek(self.first_byte + first * nx * self.kind.itemsize)
        rows, columns = self.shape[1], slice(self.low[2], self.low[2] + self.shape[2])
        wanted = rows * nx * self.kind.itemsize
        content = file.read(wanted)
        if len(content) < wanted:
            raise OSError(f"{self.path.name} became shorter while it was read")
        stored = np.frombuffer(content, self.kind).reshape(rows, nx)[:, columns]
        return self.finish(stored.astype(self.kind.newbyteorder("=")))


def left_on_disk(voxels: Any) -> StoredVolume | None:
    """Return the volume if it was left on disk, None if it is an array in memory."""
    return voxels if isinstance(voxels, StoredVolume) else None
