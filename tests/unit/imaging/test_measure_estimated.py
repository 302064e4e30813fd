"""Levels whose size is carried on from others: which they are, and what is said of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.exchange.canals_in import canals_from_document
from canalwright.exchange.canals_out import canals_document
from canalwright.imaging.measure_cautions import estimated_cautions
from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.section_fit import LEAST_SIZE, MOST_SIZE, SectionFits
from canalwright.imaging.settings import MeasureSettings
from canalwright.imaging.size_profile import _carried_on, _estimated, _smoothed_area
from canalwright.planning.clinical.levels import with_levels

COUNT = 30


def fits_of(size):
    parameters = np.zeros((COUNT, 8))
    parameters[:, 2] = size
    return SectionFits(parameters, np.zeros((COUNT, 8, 8)), np.zeros(COUNT))


def test_open_sections_count_as_estimated_from_the_apical_end_only():
    covered = np.ones(COUNT)
    covered[[0, 1, 2, 15]] = 0.1, 0.2, 0.3, 0.3
    assert np.flatnonzero(_estimated(fits_of(np.log(0.2)), covered)).tolist() == [0, 1, 2]


def test_sections_without_dentin_and_fits_at_their_largest_are_estimated_anywhere():
    size, covered = np.full(COUNT, np.log(0.2)), np.ones(COUNT)
    size[12], covered[20] = MOST_SIZE, 0.0
    assert np.flatnonzero(_estimated(fits_of(size), covered)).tolist() == [12, 20]


def test_a_fit_at_its_least_is_estimated_at_the_end_but_a_narrowing_keeps_its_say():
    size = np.full(COUNT, np.log(0.2))
    size[[0, 15]] = LEAST_SIZE
    assert np.flatnonzero(_estimated(fits_of(size), np.ones(COUNT))).tolist() == [0]


def test_a_canal_with_next_to_no_closed_section_keeps_its_fits():
    assert not _estimated(fits_of(np.log(0.2)), np.full(COUNT, 0.1)).any()


@pytest.mark.parametrize("wrong", [MOST_SIZE, LEAST_SIZE, np.log(1.1)])
def test_an_unseen_level_has_no_say_in_its_neighbors(wrong):
    size, sd, seen = np.full(COUNT, np.log(0.15)), np.full(COUNT, 0.03), np.ones(COUNT, bool)
    size[0], sd[0], seen[0] = wrong, 2.0, False
    area, _ = _smoothed_area(size, sd, seen, 0.15, MeasureSettings())
    np.testing.assert_allclose(area, 0.15**2, rtol=1e-9)


def test_what_is_carried_on_stays_near_the_last_measured_level():
    diameter = np.concatenate([[2.0, 0.01, 0.3], np.full(COUNT - 3, 0.3)])
    estimated = np.arange(COUNT) < 2
    carried, sd = _carried_on(diameter, estimated, MeasureSettings())
    np.testing.assert_allclose(carried[:3], [0.33, 0.285, 0.3])
    np.testing.assert_allclose(sd[:3], [0.03, 0.015, 0.0])


def test_cautions_name_the_levels():
    level, estimated = 0.1 * np.arange(10), np.zeros(10, bool)
    assert estimated_cautions(level, estimated) == ()
    estimated[[0, 1, 6]] = True
    apical, other = estimated_cautions(level, estimated)
    assert apical.code == "APICAL_END_ESTIMATED"
    assert "At the 0.0 and 0.1 mm levels" in apical.text
    assert other.code == "SIZE_ESTIMATED"
    assert "At the 0.6 mm level " in other.text


def test_flags_go_through_documents_and_further_levels():
    canal = true_canals(root_phantom(1))["main"]
    flags = np.arange(len(canal.level_mm)) < 2
    flagged = replace(canal, estimated=flags)
    document = canals_document([flagged], {})
    (again,) = canals_from_document(document, "memory")
    np.testing.assert_array_equal(again.estimated, flags)
    (plain,) = canals_from_document(canals_document([canal], {}), "memory")
    assert plain.estimated is None
    between = 0.5 * (canal.level_mm[1] + canal.level_mm[2])
    more = with_levels(flagged, [between])
    assert np.flatnonzero(more.estimated).tolist() == [0, 1, 2]
