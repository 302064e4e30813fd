"""Canals proposed without clicks, each with a confidence, for the user to confirm.

A tooth is found, its inside is searched for dark tubes that leave the pulp chamber, and each is
followed to the root's surface or to where it fades. What is proposed is where to measure, not a
measurement.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution
from canalwright.errors import NotFoundInScan, OutOfRange
from canalwright.imaging.canal_tree import (
    Branch,
    Tubes,
    dark_tubes,
    longest_branches,
    whole_path,
)
from canalwright.imaging.curves import nearest_level_mm
from canalwright.imaging.junctions import followed_to_junction
from canalwright.imaging.noise import dentin_noise
from canalwright.imaging.proposal_ends import Course, course_of, same_canal_share
from canalwright.imaging.scan import Scan
from canalwright.imaging.tooth_mask import Box, Tooth, find_tooth
from canalwright.imaging.tubeness import gaussian_smoothed

__all__ = ["DEFAULT_MINIMUM_CONFIDENCE", "Confidence", "Proposal", "propose_canals"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]
Point = tuple[float, float, float]
Progress = Callable[[str, float], None]

DEFAULT_MINIMUM_CONFIDENCE = 0.5

# A dark tube is told from noise by this much; both assumed.
_LEAST_CONTRAST_TO_NOISE = 4.0
_SAME_SHARE = 0.5

# Support that counts as seen; length beside the longest canal that counts as full; how fast
# confidence falls with the distance from the root's surface at which a canal fades. Assumed, and
# tried on phantoms.
_SEEN_SUPPORT, _FULL_LENGTH_SHARE, _FADE_MM, _LEAST_LENGTH_MM = 0.5, 0.5, 8.0, 2.0
_LEAST_APICAL = 0.2
_SAID_MM = 0.15


@dataclass(frozen=True, slots=True)
class Confidence:
    """How sure a proposal is, as parts from 0 to 1; no probability, an ordering.

    Attributes
    ----------
    seen : float
        How much of the way runs in a clear dark tube.
    closed : float
        How completely dentin surrounds it.
    long : float
        Length, beside half that of the longest canal of the tooth.
    reaches : float
        1 if it is seen to the root's surface, less the farther from it it fades.
    """

    seen: float
    closed: float
    long: float
    reaches: float

    @property
    def total(self) -> float:
        """Product of the parts, dentin around counted twice."""
        return self.seen * self.closed**2 * self.long * self.reaches


@dataclass(frozen=True, eq=False)
class Proposal:
    """A canal to be confirmed by the user.

    Attributes
    ----------
    name : str
        ``canal-1``, ``canal-2`` … in order of the orifices' x; no guess at anatomy.
    orifice_mm, terminus_mm : tuple of float
        Points to measure between.
    path_mm : ndarray, shape (n, 3)
        About every 0.1 mm, terminus first.
    length_mm : float
        Along the path.
    confidence : Confidence
    joins : str
        The canal it runs into on its way to a common terminus; empty if none.
    joins_at_mm : float
        Distance of the junction from the terminus; NaN if none.
    unseen_mm : float
        Length at the terminus that was drawn straight on to the root's surface and is not seen.
    cautions : tuple of Caution
    """

    name: str
    orifice_mm: Point
    terminus_mm: Point
    path_mm: Floats
    length_mm: float
    confidence: Confidence
    joins: str = ""
    joins_at_mm: float = float("nan")
    unseen_mm: float = 0.0
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, eq=False)
class _Candidate:
    number: int
    course: Course
    seen: float
    junction_mm: Floats | None


def propose_canals(
    scan: Scan,
    *,
    seed_mm: ArrayLike | None = None,
    box_mm: Box | None = None,
    minimum_confidence: float = DEFAULT_MINIMUM_CONFIDENCE,
    progress: Progress | None = None,
) -> tuple[Proposal, ...]:
    """Propose the canals of one tooth.

    Parameters
    ----------
    scan : Scan
        Dentin brighter than the canals.
    seed_mm : array_like, shape (3,), optional
        A point in the tooth, mm; needed where the volume shows more than one tooth.
    box_mm : pair of points, optional
        Opposite corners of a box that holds the tooth.
    minimum_confidence : float
        0 to 1; proposals below are left out.
    progress : callable, optional
        Called with the name of the step and the share done, 0 to 1.

    Returns
    -------
    tuple of Proposal

    Raises
    ------
    OutOfRange, NotInVolume
        If an argument is impossible.
    NotFoundInScan
        If no single tooth is found, or no dark canal in it that is sure enough.

    Notes
    -----
    Tried on phantoms and on one real tooth. Canals that are calcified from the chamber on, or
    narrower than about a voxel, are not found; a canal that is not proposed may exist.
    """
    if not 0.0 <= minimum_confidence <= 1.0:
        raise OutOfRange(
            name="minimum confidence", got=minimum_confidence, unit="", allowed=(0.0, 1.0)
        )
    report = progress or (lambda _step, _share: None)
    report("finding the tooth", 0.0)
    tooth = find_tooth(scan, seed_mm, box_mm)
    _require_dark_pulp(tooth)
    report("looking for dark tubes", 0.4)
    tubes = dark_tubes(tooth)
    branches = longest_branches(tubes)
    report("following canals", 0.8)
    candidates = _candidates(tooth, tubes, branches)
    proposals = _proposals(candidates, branches, minimum_confidence)
    if not proposals:
        raise _no_canal(
            f"of {len(candidates)} dark tubes that leave the pulp chamber none reaches a "
            f"confidence of {minimum_confidence:g}"
        )
    report("done", 1.0)
    if tubes.chamber_count < 2:
        return proposals
    return tuple(replace(one, cautions=(*one.cautions, _two_teeth(tubes))) for one in proposals)


def _two_teeth(tubes: Tubes) -> Caution:
    return Caution(
        "MAY_BE_TWO_TEETH",
        f"The bright body looked at holds {tubes.chamber_count} separate pulp chambers of like "
        "size: it may be neighboring teeth in broad contact, of which one was searched. Give a "
        "box round the one you mean: --tooth-box x,y,z:x,y,z.",
        "project rule",
    )


_HINT = "Point the canals out yourself: --canal NAME=x,y,z:x,y,z."


def _no_canal(reason: str) -> NotFoundInScan:
    return NotFoundInScan(sought="dark canal", reason=reason, hint=_HINT)


def _require_dark_pulp(tooth: Tooth) -> None:
    noise, _ = dentin_noise(tooth.crop, tooth.dentin, max(tooth.contrast, 1e-6))
    if not tooth.pulp.any() or tooth.contrast < _LEAST_CONTRAST_TO_NOISE * noise:
        raise _no_canal(
            f"inside the tooth (dentin at {tooth.dentin:.4g}) no space is darker than dentin by "
            f"more than {_LEAST_CONTRAST_TO_NOISE:g} times the noise of {noise:.3g}"
        )


def _candidates(tooth: Tooth, tubes: Tubes, branches: list[Branch]) -> list[_Candidate]:
    """Return the branches that are canals of their own, with their courses."""
    smooth = gaussian_smoothed(tooth.crop.values, 0.6)
    apical = _apical_direction(tubes, branches)
    kept: list[_Candidate] = []
    taken = np.empty((0, 3))
    for number, branch in enumerate(branches):
        own = _points(tubes, branch.index)
        if _leads_coronally(own, apical):
            continue
        if same_canal_share(tooth, smooth, own, taken) > _SAME_SHARE:
            continue
        path, junction = _path(tooth, smooth, tubes, branches, number)
        course = course_of(tooth, smooth, path)
        if course is None or course.length_mm < _LEAST_LENGTH_MM:
            continue
        support = tubes.support[tuple(branch.index.T)]
        seen = float(np.minimum(support / _SEEN_SUPPORT, 1.0).mean())
        kept.append(_Candidate(number, course, seen, junction))
        taken = np.concatenate([taken, own])
    return kept


def _path(
    tooth: Tooth, smooth: Volume, tubes: Tubes, branches: list[Branch], number: int
) -> tuple[Floats, Floats | None]:
    """Return the way from the terminus up to the chamber, and the junction with another canal."""
    branch = branches[number]
    if branch.joins < 0:
        return _points(tubes, whole_path(branches, number)), None
    own = _points(tubes, branch.index)
    main = _points(tubes, whole_path(branches, branch.joins))
    beside, below = followed_to_junction(tooth, smooth, own[0], main)
    return np.concatenate([below, beside, own]), below[-1]


def _points(tubes: Tubes, index: NDArray[np.int64]) -> Floats:
    return tubes.crop.points(index[:, ::-1])


def _apical_direction(tubes: Tubes, branches: list[Branch]) -> Floats:
    """Return the direction the longest tubes take from the chamber, whichever way it lies."""
    total = np.zeros(3)
    for branch in branches:
        if branch.from_branch < 0:
            ends = _points(tubes, branch.index[[0, -1]])
            total += branch.gain_mm * (ends[0] - ends[1])
    return total / max(float(np.linalg.norm(total)), 1e-12)


def _leads_coronally(points_mm: Floats, apical: Floats) -> bool:
    """Whether a branch is a pulp horn, or runs back toward the crown."""
    way = points_mm[0] - points_mm[-1]
    return bool(way @ apical < _LEAST_APICAL * np.linalg.norm(way))


def _proposals(
    candidates: list[_Candidate], branches: list[Branch], minimum: float
) -> tuple[Proposal, ...]:
    """Name the candidates that are sure enough by the place of their orifices."""
    longest = max((one.course.length_mm for one in candidates), default=0.0)
    sure = [(one, _confidence(one, longest)) for one in candidates]
    sure = [(one, confidence) for one, confidence in sure if confidence.total >= minimum]
    sure.sort(key=lambda pair: tuple(np.round(pair[0].course.path_mm[-1], 2)))
    names = {one.number: f"canal-{place}" for place, (one, _) in enumerate(sure, 1)}
    return tuple(
        _proposal(names[one.number], one, confidence, branches, names) for one, confidence in sure
    )


def _confidence(one: _Candidate, longest_mm: float) -> Confidence:
    full = min(one.course.length_mm / (_FULL_LENGTH_SHARE * longest_mm), 1.0)
    unseen_mm = one.course.short_mm + one.course.unseen_mm
    reaches = float(np.exp(-unseen_mm / _FADE_MM))
    return Confidence(one.seen, one.course.closed_share, full, reaches)


def _proposal(
    name: str,
    one: _Candidate,
    confidence: Confidence,
    branches: list[Branch],
    names: dict[int, str],
) -> Proposal:
    path = one.course.path_mm
    branch = branches[one.number]
    made = Proposal(
        name,
        _point(path[-1]),
        _point(path[0]),
        path,
        one.course.length_mm,
        confidence,
        unseen_mm=one.course.unseen_mm,
    )
    cautions = [_not_confirmed(name)]
    if one.course.short_mm > 0.0:
        cautions.append(_fades(name, one.course.short_mm))
    if one.course.unseen_mm > _SAID_MM:
        cautions.append(_drawn_on(name, one.course.unseen_mm))
    if one.junction_mm is not None and branch.joins in names:
        level = nearest_level_mm(path, one.junction_mm)
        made = replace(made, joins=names[branch.joins], joins_at_mm=level)
        cautions.append(_joins(name, names[branch.joins], level))
    if branch.from_branch in names:
        cautions.append(_divides(name, names[branch.from_branch]))
    return replace(made, cautions=tuple(cautions))


def _point(values: Floats) -> Point:
    x, y, z = (round(float(c), 2) + 0.0 for c in values)
    return x, y, z


def _not_confirmed(name: str) -> Caution:
    return Caution(
        "PROPOSED_NOT_CONFIRMED",
        f"{name} was proposed by the program; look at its pictures and confirm or correct both "
        "points. Canals that were not proposed may exist.",
        "project rule",
    )


def _fades(name: str, short_mm: float) -> Caution:
    return Caution(
        "FADES_BEFORE_SURFACE",
        f"{name} can be followed to about {short_mm:.1f} mm from the root's surface; its proposed "
        "terminus is where it fades, not where it ends.",
        "project rule",
    )


def _drawn_on(name: str, unseen_mm: float) -> Caution:
    return Caution(
        "DRAWN_TO_SURFACE",
        f"The last {unseen_mm:.1f} mm of {name} were drawn straight on to the root's surface; no "
        "canal is seen there. It may end elsewhere: look for its exit before you accept the "
        "terminus.",
        "project rule",
    )


def _joins(name: str, other: str, level_mm: float) -> Caution:
    return Caution(
        "JOINS_CANAL",
        f"{name} runs into {other} about {level_mm:.1f} mm from their common terminus.",
        "project rule",
    )


def _divides(name: str, other: str) -> Caution:
    return Caution(
        "SHARES_ORIFICE",
        f"{name} leaves {other} on the way: both share the orifice and the part above.",
        "project rule",
    )
