"""What is typed on the plan page, read into the arguments of planning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any, Final

from canalwright.evidence import Graded
from canalwright.instruments.standard import find_instrument
from canalwright.planning.patency import LOOSE_MM, PAST_TERMINUS_MM, patency_pass
from canalwright.planning.stated import stated_limits
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Pass
from canalwright.units import parse_torque_ncm
from canalwright.web.fields import (
    number_text,
    read_number,
    read_number_or_none,
    read_numbers,
    read_whole,
)
from canalwright.web.plan_trays import OnHand, own_instruments, tray_inputs
from canalwright.web.stockroom import STANDARD, KeptTray

if TYPE_CHECKING:
    from canalwright.planning.used_life import UsedLife

__all__ = [
    "LIMIT_NAMES",
    "MAIN_LIMITS",
    "PlanForm",
    "PlanWishes",
    "limit_default",
    "read_limit",
    "read_size",
    "read_taper_mm_per_mm",
    "read_wishes",
]

MAIN_LIMITS: Final = (
    "step_percent",
    "hand_step_percent",
    "step_mm",
    "engaged_mm",
    "dentin_left_mm",
    "over_target_mm",
    "glide_path_mm",
)
LIMIT_NAMES: Final = tuple(one.name for one in fields(Limits))


@dataclass
class PlanForm:
    """The fields of the plan page as text; it survives every new plan.

    `on_hand` is what the visitor can choose from; `count_lives` whether the single instruments on
    hand are planned with, each with the life it has used.
    """

    on_hand: OnHand = field(default_factory=OnHand)
    tray: str = STANDARD
    count_lives: bool = True
    size: str = "30"
    taper: str = "0.04"
    coronal_limit_mm: str = ""
    patency: str = ""
    patency_past_mm: str = number_text(PAST_TERMINUS_MM.value)
    loose_mm: str = number_text(LOOSE_MM.value)
    working_length_mm: str = ""
    torque: str = ""
    depths_mm: str = ""
    most: str = "8"
    pin: list[str] = field(default_factory=list)
    ban: list[str] = field(default_factory=list)
    limits: dict[str, str] = field(
        default_factory=lambda: {
            name: number_text(limit_default(name).value) for name in LIMIT_NAMES
        }
    )

    @property
    def chosen(self) -> KeptTray:
        """The tray that is planned with."""
        return self.on_hand.tray(self.tray)

    @property
    def used(self) -> tuple[UsedLife, ...]:
        """Lives of single instruments of the tray; none where they are not to count."""
        return self.on_hand.used_in(self.chosen.tray) if self.count_lives else ()

    def take_tray(self, id: str) -> None:  # noqa: A002
        """Plan with another tray; what it does not hold is neither asked for nor excluded."""
        self.tray = id
        known = {one.id for one in self.chosen.tray.instruments}
        self.pin = [one for one in self.pin if one in known]
        self.ban = [one for one in self.ban if one in known]


@dataclass(frozen=True, eq=False)
class PlanWishes:
    """The arguments of planning, and the options a plan document records."""

    target: Target
    limits: Limits
    options: Mapping[str, Any]
    patency: Pass | None
    tray: KeptTray
    used: tuple[UsedLife, ...] = ()

    def recorded(self) -> dict[str, Any]:
        """Return the options as JSON has them."""
        options = {k: list(v) if isinstance(v, tuple) else v for k, v in self.options.items()}
        if self.used:
            options["used_lives"] = [f"{one.instrument} {one.individual}" for one in self.used]
        return options

    def inputs(self) -> dict[str, str]:
        """Return what a plan document says about the tray."""
        return tray_inputs(self.tray)


def limit_default(name: str) -> Graded:
    """Return a default limit with its origin."""
    graded: Graded = getattr(Limits(), name)
    return graded


def read_wishes(form: PlanForm) -> PlanWishes:
    """Read the form.

    Raises
    ------
    BadInput
        With a sentence that names the first field that cannot be read or is impossible.
    """
    return PlanWishes(
        target=_target(form),
        limits=stated_limits(None, **_changed_limits(form)),
        options=_options(form),
        patency=_patency(form),
        tray=form.chosen,
        used=form.used,
    )


def read_size(text: str) -> int:
    """Read a target size; the range is checked by `Target`."""
    return Target(size=read_whole(text, name="target size")).size


def read_taper_mm_per_mm(text: str) -> float:
    """Read a target taper as a fraction; the range is checked by `Target`."""
    taper = read_number(text, name="target taper", unit="mm/mm")
    return Target(taper_mm_per_mm=taper).taper_mm_per_mm


def read_limit(name: str, text: str) -> float:
    """Read one limit and check that it is one."""
    unit = limit_default(name).unit
    value = read_number(text, name=f"limit {name.replace('_', ' ')}", unit=unit)
    stated_limits(None, **{name: value})
    return value


def _target(form: PlanForm) -> Target:
    coronal = read_number_or_none(form.coronal_limit_mm, name="coronal limit", unit="mm")
    given = {} if coronal is None else {"coronal_limit_mm": coronal}
    return Target(read_size(form.size), read_taper_mm_per_mm(form.taper), **given)


def _changed_limits(form: PlanForm) -> dict[str, float]:
    """Return the limits that differ from their defaults; an emptied field keeps the default."""
    return {
        name: read_limit(name, text)
        for name, text in form.limits.items()
        if text.strip() and text.strip() != number_text(limit_default(name).value)
    }


def _options(form: PlanForm) -> dict[str, Any]:
    options: dict[str, Any] = {
        "pin": tuple(form.pin),
        "ban": tuple(form.ban),
        "max_instruments": read_whole(form.most, name="longest sequence"),
        "working_length_mm": read_number_or_none(
            form.working_length_mm, name="working length", unit="mm"
        ),
        "torque_limit_ncm": parse_torque_ncm(form.torque) if form.torque.strip() else None,
    }
    if form.depths_mm.strip():
        options["depths_mm"] = read_numbers(form.depths_mm, name="depths", unit="mm")
    return options


def _patency(form: PlanForm) -> Pass | None:
    if not form.patency:
        return None
    return patency_pass(
        find_instrument(form.patency, own_instruments(form.chosen)),
        read_number(form.patency_past_mm, name="patency file past the terminus", unit="mm"),
        read_number(form.loose_mm, name="loosening by the patency file", unit="mm"),
    )
