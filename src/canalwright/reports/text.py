"""Numbers and names as people read them; shared by the command line, figures and the PDF."""

from __future__ import annotations

import math
from typing import Final

from canalwright.errors import BadInput
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.standard import instrument_from_id

__all__ = [
    "MISSING",
    "curvature_label",
    "evidence_mark",
    "format_count",
    "format_graded",
    "format_level",
    "format_mm",
    "format_number",
    "format_percent",
    "format_sd",
    "format_taper",
    "instrument_label",
    "instrument_short_label",
    "limit_label",
    "named_instrument",
]

MISSING: Final = "–"

_MINUS: Final = "−"

# Which origins leave a number an estimate that must be marked wherever it is shown.
_UNPROVEN: Final[dict[Evidence, str]] = {
    Evidence.COMPUTED: "computed",
    Evidence.SECOND_HAND: "second-hand",
    Evidence.MEMORY: "from memory",
    Evidence.PRACTICE: "common practice",
    Evidence.ASSUMED: "assumed",
}

_CURVATURE_LABELS: Final[dict[str, tuple[str, str]]] = {
    "schneider_deg": ("Schneider angle", "°"),
    "pruett_deg": ("Pruett angle", "°"),
    "pruett_radius_mm": ("Pruett radius", "mm"),
    "weine_deg": ("Weine angle", "°"),
    "canal_access_deg": ("canal access angle", "°"),
    "max_per_mm": ("largest curvature", "1/mm"),
    "mean_per_mm": ("mean curvature", "1/mm"),
    "min_radius_mm": ("smallest radius", "mm"),
    "total_deg": ("total turning", "°"),
}

_UNIT_SUFFIXES: Final[tuple[tuple[str, str], ...]] = (
    ("_per_mm", "1/mm"),
    ("_percent", "%"),
    ("_deg", "°"),
    ("_mm", "mm"),
)

_LIMIT_LABELS: Final[dict[str, str]] = {
    "step_percent": "step of an engine-driven file",
    "hand_step_percent": "step of a hand file",
    "glide_step_percent": "step of an engine-driven glide file",
    "finishing_step_percent": "step of the last engine-driven file",
    "step_area_percent": "growth of the section's area",
    "step_mm": "step in mm",
    "engaged_mm": "length that cuts",
    "engaged_caution_mm": "length that cuts, caution from",
    "dentin_left_mm": "dentin left",
    "dentin_from_mm": "dentin judged from level",
    "over_target_mm": "cut beyond the target",
    "flare_over_target_mm": "cut beyond the target, coronal flare",
    "flare_from_share": "flare from this share of the length",
    "loose_tip_mm": "looseness of the tip",
    "glide_path_mm": "glide path before engine-driven files",
    "glide_start_mm": "width before engine-driven glide files",
    "glide_file_size": "size of an engine-driven glide file, at most",
    "glide_file_taper": "taper of an engine-driven glide file, at most",
    "gauging_over_mm": "terminus wider than the target, caution from",
    "torque_end_fraction": "torque of cutting at the end of the advance",
    "torque_peak_fraction": "peak torque, share of strength",
    "strain": "surface strain",
    "access_mm": "entrance that access straightens",
    "access_share": "entrance, at most this share of the length",
    "engaged_most_mm": "length that cuts, where nothing else holds",
    "screw_in_n": "pull toward the terminus (screw-in)",
    "transportation_mm": "transportation",
    "hand_size_in_curve": "size of drawn steel round a curve",
    "curve_per_mm": "curvature that counts as a curve",
    "smallest_start_mm": "smallest canal taken from the image",
    "cutting_length_mm": "cutting part",
    "overall_length_mm": "length of the instrument",
    "torque_fraction": "torque, share of strength",
    "fatigue_fraction": "fatigue, share of mean life",
    "no_cut": "would not cut",
    "alternative": "used in an alternative",
    "dominated": "no better in any respect",
}


def format_number(value: float | None, digits: int) -> str:
    """Return a number with fixed decimals and a true minus sign; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return MISSING
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", _MINUS)


def format_mm(value_mm: float | None, digits: int = 2) -> str:
    """Return a length with its unit, e.g. ``0.25 mm``."""
    text = format_number(value_mm, digits)
    return text if text == MISSING else f"{text} mm"


def format_sd(value: float, sd: float, digits: int) -> str:
    """Return a value with its standard deviation, e.g. ``0.31 ± 0.02`` or ``0.31 ± <0.01``."""
    if not math.isfinite(sd):
        return format_number(value, digits)
    least = 10.0**-digits
    spread = f"<{least:.{digits}f}" if 0.0 < sd < least / 2.0 else format_number(sd, digits)
    return f"{format_number(value, digits)} ± {spread}"


def format_level(level_mm: float | None) -> str:
    """Return a level in words that cannot be misread: the terminus, short of it, or past it."""
    if level_mm is None or not math.isfinite(level_mm):
        return MISSING
    if abs(level_mm) < 0.005:
        return "terminus"
    if level_mm < 0.0:
        return f"{_short(-level_mm)} mm past"
    return f"{_short(level_mm)} mm short"


def format_percent(value_percent: float | None, digits: int = 0, *, signed: bool = False) -> str:
    """Return a percentage, with its sign where a change is meant, e.g. ``+33 %``."""
    text = format_number(value_percent, digits)
    if text == MISSING:
        return text
    plus = "+" if signed and not text.startswith(_MINUS) else ""
    return f"{plus}{text} %"


def format_taper(taper_mm_per_mm: float) -> str:
    """Return a taper as the trade writes it: 0.04 is ``.04``, 0.045 is ``.045``."""
    per_mille = round(taper_mm_per_mm * 1000.0)
    if per_mille >= 1000:
        return f"{per_mille / 1000.0:.2f}"
    return f".{per_mille // 10:02d}" if per_mille % 10 == 0 else f".{per_mille:03d}"


def instrument_short_label(instrument: Instrument) -> str:
    """Return size and taper, e.g. ``15/.02``; a tilde marks a taper that is only a mean."""
    mean = "" if len(instrument.knot_station_mm) == 2 else "~"
    return f"{instrument.size:02d}/{mean}{format_taper(instrument.mean_taper_mm_per_mm)}"


def instrument_label(instrument: Instrument) -> str:
    """Return how the instrument is driven, its size and its taper, e.g. ``hand 15/.02``."""
    return f"{instrument.kind.value} {instrument_short_label(instrument)}"


def named_instrument(instrument: Instrument) -> str:
    """Return the name of an instrument: the user's own, or what our id stands for."""
    try:
        listed = instrument_from_id(instrument.id)
    except BadInput:
        return instrument.id
    return instrument_label(instrument) if listed.size == instrument.size else instrument.id


def evidence_mark(evidence: Evidence) -> str:
    """Return the word that must stand beside a value of this origin; empty for firm ones."""
    return _UNPROVEN.get(evidence, "")


def format_count(count: int, noun: str) -> str:
    """Return a count with its noun, e.g. ``1 instrument`` or ``4 instruments``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def format_graded(graded: Graded | None, digits: int = 2, *, with_unit: bool = True) -> str:
    """Return a graded value with its unit; a dash where there is none."""
    if graded is None:
        return MISSING
    unit = f" {graded.unit}" if graded.unit and with_unit else ""
    return f"{format_number(graded.value, digits)}{unit}"


def curvature_label(key: str) -> tuple[str, str]:
    """Return the name and unit of a curvature value from its key, e.g. ``schneider_deg``."""
    if key in _CURVATURE_LABELS:
        return _CURVATURE_LABELS[key]
    for suffix, unit in _UNIT_SUFFIXES:
        if key.endswith(suffix):
            return key.removesuffix(suffix).replace("_", " "), unit
    return key.replace("_", " "), ""


def limit_label(constraint: str) -> str:
    """Return the name of a limit in words."""
    if constraint in _LIMIT_LABELS:
        return _LIMIT_LABELS[constraint]
    bare = next(
        (constraint.removesuffix(s) for s, _ in _UNIT_SUFFIXES if constraint.endswith(s)), ""
    )
    return (bare or constraint).replace("_", " ")


def _short(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
