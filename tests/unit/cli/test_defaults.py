"""Defaults written into the options, which load nothing, are those of the models."""

from __future__ import annotations

import inspect

import pytest

from canalwright.cli.compare import compare
from canalwright.cli.plan import plan
from canalwright.cli.reading import read_numbers
from canalwright.cli.step import step
from canalwright.instruments.compare import DEFAULT_STATIONS_MM
from canalwright.planning.patency import LOOSE_MM, PAST_TERMINUS_MM
from canalwright.planning.types import Target


def default(command, option):
    return inspect.signature(command).parameters[option].default


@pytest.mark.parametrize("command", [plan, step])
def test_patency(command):
    assert default(command, "patency_past_mm") == PAST_TERMINUS_MM.value
    assert default(command, "loose_mm") == LOOSE_MM.value


def test_target():
    target = Target()
    assert default(plan, "target_size") == target.size
    assert default(plan, "target_taper") == target.taper_mm_per_mm


def test_stations():
    assert read_numbers(default(compare, "stations"), name="") == DEFAULT_STATIONS_MM
