"""Proposals on three-rooted phantoms of known canals; more of them in benchmarks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from canalwright.imaging.phantom_molars import three_rooted_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.propose import propose_canals

# Promised: 90 % of every canal's length within 0.3 mm of its proposal, and no false canal.
FOUND_SHARE, FOUND_MM = 0.9, 0.3


def levels_found(canal, proposal):
    tube = canal.tube
    inner = (tube.level_mm >= 0.0) & (tube.level_mm <= canal.length_mm)
    gap, _ = cKDTree(proposal.path_mm).query(tube.points_mm[inner])
    return float((gap <= FOUND_MM).mean())


class Case:
    def __init__(self, seed, joined, voxel_mm):
        self.spec = three_rooted_phantom(seed, joined=joined)
        self.proposals = propose_canals(render(self.spec, voxel_mm))
        self.share = np.array(
            [[levels_found(canal, one) for one in self.proposals] for canal in self.spec.canals]
        )

    def proposal_of(self, name):
        names = [canal.name for canal in self.spec.canals]
        return self.proposals[int(np.argmax(self.share[names.index(name)]))]


@pytest.fixture(scope="module", params=[(20, False, 0.2), (21, True, 0.125)])
def case(request):
    return Case(*request.param)


def test_every_canal_has_its_own_proposal_and_there_is_no_other(case):
    assert len(case.proposals) == len(case.spec.canals)
    assert sorted(case.share.argmax(axis=1)) == list(range(len(case.proposals)))
    assert case.share.max(axis=1).min() >= FOUND_SHARE


def test_orifice_and_terminus_lie_at_the_ends(case):
    for canal in case.spec.canals[:3]:
        one = case.proposal_of(canal.name)
        # The chamber's floor is rounded: the orifice is a place within half a millimeter.
        assert np.linalg.norm(canal.orifice_mm - one.orifice_mm) < 0.6
        # The root's surface lies up to 0.6 mm past level 0, the canal runs on to it.
        assert np.linalg.norm(canal.terminus_mm - one.terminus_mm) < 0.8
        assert one.terminus_mm[2] < canal.terminus_mm[2] + 0.2


def test_only_the_joining_canal_joins(case):
    joining = {one.name: one.joins for one in case.proposals if one.joins}
    if len(case.spec.canals) == 3:
        assert joining == {}
        return
    main = case.proposal_of("mesiobuccal")
    second = case.proposal_of("second mesiobuccal")
    assert joining == {second.name: main.name}
    assert second.terminus_mm == pytest.approx(main.terminus_mm, abs=0.2)
    # The axes meet where the second canal's level is 0. No dentin parts the lumens from where
    # the axes are about 0.35 mm apart, so the junction that can be seen lies above.
    canal, beside = case.spec.canals[0], case.spec.canals[3]
    tube = beside.tube
    gap, row = cKDTree(canal.tube.points_mm).query(tube.points_mm)
    seen = row[int(np.argmax((gap > 0.35) & (tube.level_mm > 0.0)))]
    past_mm = canal.tube.level_mm[seen] - canal.tube.level_mm[row[np.argmin(gap)]]
    assert past_mm > 0.5
    assert second.joins_at_mm == pytest.approx(canal.tube.level_mm[seen] + 0.5, abs=1.0)
