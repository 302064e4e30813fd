"""Targets, limits and the search for sequences, with reasons."""

from canalwright.planning.planner import plan

__all__ = ["plan"]
