"""Canalwright: measure, plan, explain and teach root canal shaping, level by level.

Every quantity is a function of ``level_mm``, the arc length along the canal centerline from the
apical terminus, coronally positive. See ``docs/decisions/0001-level-axis.md``.
"""

__all__ = ["__version__"]

__version__ = "0.1.0"
