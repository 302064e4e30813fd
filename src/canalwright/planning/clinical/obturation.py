"""Obturation of one canal: master cone candidates, plugger reach, depths of warm techniques."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from canalwright.cautions import Caution
from canalwright.evidence import Evidence
from canalwright.planning.clinical.cones import Cone, ConeFit, cone_fit
from canalwright.planning.clinical.needles import needle_binding_level_mm
from canalwright.planning.clinical.tables import table
from canalwright.shaping.shape import Shape

__all__ = [
    "CanalObturation",
    "PluggerReach",
    "WarmDepth",
    "canal_obturation",
    "candidate_cones",
    "plugger_reach",
    "warm_depths",
]

_NEAR_SIZES: Final = 10
_SHORT_ENOUGH_MM: Final = 0.5


@dataclass(frozen=True, slots=True)
class PluggerReach:
    """How near to working length a plugger comes.

    Attributes
    ----------
    tip_mm : float
    short_mm : float or None
        Distance from working length where it binds; None where it does not enter.
    """

    tip_mm: float
    short_mm: float | None

    def reaches(self, short_mm: float) -> bool:
        """Return whether it comes within a distance of working length."""
        return self.short_mm is not None and self.short_mm <= short_mm + 1e-9


@dataclass(frozen=True, slots=True)
class WarmDepth:
    """A depth of a warm technique.

    Attributes
    ----------
    name, note : str
    near_mm, far_mm : float
        Distance from working length, the deeper one first.
    deep_stop_mm, shallow_stop_mm : float
        The same from the coronal reference.
    evidence : Evidence
    """

    name: str
    near_mm: float
    far_mm: float
    deep_stop_mm: float
    shallow_stop_mm: float
    evidence: Evidence
    note: str


@dataclass(frozen=True, eq=False)
class CanalObturation:
    """Everything on the filling of one canal.

    Attributes
    ----------
    candidates : tuple of ConeFit
        The best first.
    chosen : ConeFit
        The operator's cone, or the first candidate.
    chosen_by_operator : bool
    pluggers : tuple of PluggerReach
    warm : tuple of WarmDepth
    cautions : tuple of Caution
    """

    candidates: tuple[ConeFit, ...]
    chosen: ConeFit
    chosen_by_operator: bool
    pluggers: tuple[PluggerReach, ...]
    warm: tuple[WarmDepth, ...]
    cautions: tuple[Caution, ...]


def candidate_cones(apical_size: int) -> tuple[Cone, ...]:
    """Return the standard points near an apical size in every listed taper."""
    point = table("obturation")["point"]
    sizes = [s for s in point["sizes"] if abs(s - apical_size) <= _NEAR_SIZES]
    return tuple(Cone(s, t) for s in sizes for t in point["tapers_mm_per_mm"])


def plugger_reach(shape: Shape, tip_mm: float, end_level_mm: float) -> PluggerReach:
    """Return how near to working length a straight plugger comes."""
    level = needle_binding_level_mm(
        shape.level_mm, shape.inscribed_mm, tip_mm, from_level_mm=max(end_level_mm, 0.0)
    )
    return PluggerReach(tip_mm, None if level is None else level - end_level_mm)


def warm_depths(working_length_mm: float) -> tuple[WarmDepth, ...]:
    """Return the depths of warm techniques for a working length; values from memory."""
    found = []
    for key, row in table("obturation")["depth"].items():
        near, far = float(row["near_mm"]), float(row["far_mm"])
        found.append(
            WarmDepth(
                key.replace("_", " "),
                near,
                far,
                working_length_mm - near,
                working_length_mm - far,
                Evidence(row["evidence"]),
                row["note"],
            )
        )
    return tuple(found)


def canal_obturation(
    canal_name: str,
    final: Shape,
    apical_size: int,
    *,
    end_level_mm: float,
    terminus_mm: float,
    cone: Cone | None = None,
    plugger_mm: tuple[float, ...] = (),
    file_tolerance_mm: float = 0.02,
) -> CanalObturation:
    """Return cones, pluggers and depths for a prepared canal.

    Parameters
    ----------
    canal_name : str
    final : Shape
        After the last step.
    apical_size : int
        Size of the largest instrument at working length.
    end_level_mm : float
        Level of the working length.
    terminus_mm : float
        From the coronal reference to level 0.
    cone : Cone or None
        The operator's choice.
    plugger_mm : tuple of float
        Tip diameters at hand; those of the table otherwise.
    file_tolerance_mm : float
        Of the diameter of the last file.
    """

    def fit(one: Cone) -> ConeFit:
        return cone_fit(
            one,
            final.level_mm,
            final.radius_mm,
            end_level_mm=end_level_mm,
            terminus_mm=terminus_mm,
            file_tolerance_mm=file_tolerance_mm,
        )

    fits = sorted((fit(one) for one in candidate_cones(apical_size)), key=_preference)
    chosen = fits[0] if cone is None else fit(cone)
    tips = plugger_mm or tuple(table("obturation")["plugger"]["tip_mm"])
    return CanalObturation(
        candidates=tuple(fits),
        chosen=chosen,
        chosen_by_operator=cone is not None,
        pluggers=tuple(plugger_reach(final, tip, end_level_mm) for tip in tips),
        warm=warm_depths(terminus_mm - end_level_mm),
        cautions=_cautions(canal_name, chosen),
    )


def _preference(fit: ConeFit) -> tuple[float, ...]:
    """Sort cones that seat within 0.5 mm of working length, hold apically and leave least first."""
    if fit.short_mm is None:
        return (3.0, np.inf)
    good = fit.short_mm <= _SHORT_ENOUGH_MM + 1e-9
    holds = fit.tug_back is not None and fit.tug_back.apical
    return (float(not good) + float(not holds), fit.sealer_mm3)


def _cautions(canal_name: str, fit: ConeFit) -> tuple[Caution, ...]:
    label = f"Canal {canal_name}: point {fit.cone.label}"
    if fit.seat_level_mm is None or fit.short_mm is None:
        return (
            Caution("CONE_TOO_WIDE", f"{label} does not enter the prepared canal.", "project rule"),
        )
    found = [_tolerance_caution(label, fit)]
    if fit.tug_back is None:
        found.append(
            Caution(
                "CONE_LOOSE",
                f"{label} touches the wall nowhere: no tug-back, it may go beyond the terminus. "
                "Trim it or take a larger one.",
                "project rule",
            )
        )
    elif not fit.tug_back.apical:
        found.append(
            Caution(
                "CONE_BINDS_CORONALLY",
                f"{label} holds only from level {fit.tug_back.from_level_mm:.1f} mm up: the tug-"
                "back felt there says nothing about the apical fit.",
                "project rule",
            )
        )
    return tuple(found)


def _tolerance_caution(label: str, fit: ConeFit) -> Caution:
    most = "not in at all" if fit.most_short_mm is None else f"{fit.most_short_mm:.1f} mm short"
    passing = " or pass it without holding" if fit.passes else ""
    return Caution(
        "CONE_TOLERANCE",
        f"{label} seats {fit.short_mm:.1f} mm short by its "
        f"{'gauged' if fit.cone.gauged_mm is not None else 'nominal'} size; within tolerance it "
        f"may stop {most}{passing}. {_conformity()} Confirm with a radiograph.",
        fit.cone.tolerance_mm.source or "project rule",
    )


def _conformity() -> str:
    entry = table("obturation")["conformity"]
    return f"{entry['text'][:1].upper()}{entry['text'][1:]} [{entry['source']}]."
