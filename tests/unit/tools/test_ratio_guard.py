"""The guard that compares ratios of speed with those of the last release."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

BENCHMARKS = Path(__file__).parents[3] / "benchmarks"


def guard(monkeypatch):
    monkeypatch.setattr(sys, "path", list(sys.path))
    spec = importlib.util.spec_from_file_location("against_peers", BENCHMARKS / "against_peers.py")
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "against_peers", module)
    assert spec.loader is not None
    spec.loader.exec_module(module)
    return module


def test_only_what_is_clearly_slower_is_told(monkeypatch):
    module = guard(monkeypatch)
    last = {"a": 10.0, "b": 10.0, "gone": 2.0}
    found = module.regressions({"a": 5.9, "b": 6.1, "new": 1.0}, last)
    assert len(found) == 2
    assert found[0].startswith("a: 5.9 times")
    assert found[1].startswith("gone:")


def test_the_ratios_of_the_last_release_are_there():
    kept = json.loads((BENCHMARKS / "results" / "ratios.json").read_text("utf-8"))
    assert len(kept["ratios"]) >= 6
    assert min(kept["ratios"].values()) > 0.0
    assert kept["machine"]
