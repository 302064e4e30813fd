"""Targets, limits and the search for sequences, with reasons."""
