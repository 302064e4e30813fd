"""Compile the measurement ahead of its first use, as a last step of installation.

Usage: ``python -m canalwright.imaging.warm_up``.
"""

from __future__ import annotations

from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render

__all__ = ["compile_measure"]


def compile_measure() -> None:
    """Measure a small invented root and forget it; compiled code stays in the disk cache.

    Where the cache cannot be written this changes nothing but the time spent.
    """
    spec = root_phantom(1)
    canal = spec.canals[0]
    measure_canal(render(spec), canal.name, canal.orifice_mm, canal.terminus_mm)


if __name__ == "__main__":
    compile_measure()
