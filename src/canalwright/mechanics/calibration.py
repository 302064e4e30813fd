"""Cutting energy and friction from a motor's torque log of a known pass.

The log is explained as ``T = u·V̇/ω + µ·(Σ F r) + offset + drift·t``: the first two factors are
known when canal, instrument, feed and push are, so the four coefficients follow by linear least
squares. Their standard deviations come from the residuals, widened for noise that lasts over
several samples. Cutting and friction can only be told apart when the log holds both a stretch
that cuts and one that rubs without cutting (turning on the spot at depth).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.torque_log import TorqueLog
from canalwright.units import rad_per_s_from_rpm

__all__ = ["IMPOSSIBLE_CODE", "Calibration", "KnownPass", "calibrated"]

Floats = NDArray[np.float64]

IMPOSSIBLE_CODE: Final = "CALIBRATION_IMPOSSIBLE"
"""Code of the caution on a calibration that must not be used."""

_SEPARABLE: Final = 0.98
_UNCERTAIN: Final = 0.10
_LEAST_SPEED_RPM: Final = 1.0


@dataclass(frozen=True, eq=False)
class KnownPass:
    """What is known of the pass, at the times of the log.

    Attributes
    ----------
    removal_mm3_per_s : ndarray, shape (n,)
        Dentin (or resin) removed per second.
    rubbing_nmm : ndarray, shape (n,)
        Σ F r: wall force times radius, the torque that friction of coefficient 1 would ask for.
    """

    removal_mm3_per_s: Floats
    rubbing_nmm: Floats


@dataclass(frozen=True, eq=False)
class Calibration:
    """Parameters found from one log.

    Attributes
    ----------
    specific_cutting_energy_j_per_mm3, friction_coefficient : Graded
        With standard deviations.
    offset_ncm, drift_ncm_per_s : float
        Of the motor's torque reading.
    residual_ncm : float
        Root mean square of what the model leaves unexplained.
    fitted_ncm : ndarray, shape (n,)
        The model at the times of the log, NaN where the instrument hardly turned.
    cautions : tuple of Caution
    """

    specific_cutting_energy_j_per_mm3: Graded
    friction_coefficient: Graded
    offset_ncm: float
    drift_ncm_per_s: float
    residual_ncm: float
    fitted_ncm: Floats
    cautions: tuple[Caution, ...]

    def applied_to(self, parameters: LoadParameters) -> LoadParameters:
        """Return parameters with the calibrated values in place of the assumed ones."""
        return replace(
            parameters,
            specific_cutting_energy_j_per_mm3=self.specific_cutting_energy_j_per_mm3,
            friction_coefficient=self.friction_coefficient,
        )


def calibrated(log: TorqueLog, known: KnownPass) -> Calibration:
    """Fit cutting energy and friction to a torque log.

    Parameters
    ----------
    log : TorqueLog
    known : KnownPass
        Arrays as long as the log.

    Returns
    -------
    Calibration
        Marked as measured; with a caution where the log cannot tell cutting from friction or a
        coefficient comes out below 0.

    Raises
    ------
    OutOfRange
        If the arrays are not as long as the log, or nothing was cut.
    """
    removal, rubbing = _checked(known.removal_mm3_per_s, known.rubbing_nmm, len(log.time_s))
    turning = log.speed_rpm > _LEAST_SPEED_RPM
    speed = rad_per_s_from_rpm(1.0) * np.where(turning, log.speed_rpm, 1.0)
    time = log.time_s - log.time_s.mean()
    columns = np.stack([100.0 * removal / speed, rubbing / 10.0, np.ones_like(time), time], axis=1)
    used, torque = columns[turning], log.torque_ncm[turning]
    # Columns of even size keep the normal equations well conditioned.
    scale = np.maximum(np.linalg.norm(used, axis=0), 1e-12)
    inverse = np.linalg.pinv(used / scale)
    coefficients = (inverse @ torque) / scale
    residual = torque - used @ coefficients
    spread = np.sqrt(_variance(residual) * np.sum(inverse**2, axis=1)) / scale
    fitted = np.where(turning, columns @ coefficients, np.nan)
    return Calibration(
        _graded(coefficients[0], spread[0], "J/mm³"),
        _graded(coefficients[1], spread[1], ""),
        float(coefficients[2]),
        float(coefficients[3]),
        float(np.sqrt(np.mean(residual**2))),
        fitted,
        _cautions(used, coefficients, spread),
    )


def _checked(removal: ArrayLike, rubbing: ArrayLike, count: int) -> tuple[Floats, Floats]:
    arrays = np.asarray(removal, float), np.asarray(rubbing, float)
    for name, array in zip(("removal rate", "rubbing"), arrays, strict=True):
        if array.shape != (count,) or not np.all(np.isfinite(array)):
            raise OutOfRange(
                name=f"number of finite values of {name}",
                got=int(np.isfinite(array).sum()),
                unit="",
                allowed=(count, count),
            )
    if not np.max(arrays[0]) > 0.0:
        raise OutOfRange(
            name="largest removal rate",
            got=float(np.max(arrays[0])),
            unit="mm³/s",
            allowed=(0.0, None),
            above=True,
            hint="A pass that removes nothing cannot tell the cutting energy.",
        )
    return arrays


def _variance(residual: Floats) -> float:
    """Variance of the residuals, widened for correlation from sample to sample."""
    centered = residual - residual.mean()
    power = float(centered @ centered)
    lag = float(centered[1:] @ centered[:-1]) / power if power > 0.0 else 0.0
    lasting = (1.0 + max(lag, 0.0)) / (1.0 - min(max(lag, 0.0), 0.95))
    return power / max(len(residual) - 4, 1) * lasting


def _graded(value: float, sd: float, unit: str) -> Graded:
    return Graded(
        float(value), unit, Evidence.MEASURED, sd=float(sd), note="from a motor's torque log"
    )


def _cautions(used: Floats, coefficients: Floats, spread: Floats) -> tuple[Caution, ...]:
    found: list[Caution] = []
    centered = used[:, :2] - used[:, :2].mean(axis=0)
    norms = np.linalg.norm(centered, axis=0)
    alike = abs(float(centered[:, 0] @ centered[:, 1])) > _SEPARABLE * norms[0] * norms[1]
    if alike or spread[0] > 0.5 * abs(coefficients[0]):
        text = (
            "This log cannot tell cutting from friction: record a stretch in which the "
            "instrument turns at depth without going deeper."
        )
        found.append(Caution("CALIBRATION_NOT_SEPARABLE", text, "project rule"))
    elif np.any(spread[:2] > _UNCERTAIN * np.abs(coefficients[:2])):
        text = (
            f"A fitted value is uncertain by more than {100.0 * _UNCERTAIN:.0f} %: log longer, "
            "with less noise, or in a tighter curve, where the instrument rubs more."
        )
        found.append(Caution("CALIBRATION_UNCERTAIN", text, "project rule"))
    if coefficients[0] < 0.0 or coefficients[1] < 0.0:
        text = (
            f"A fitted value is below 0 (cutting energy {coefficients[0]:.2f} J/mm³, friction "
            f"{coefficients[1]:.2f}): log and pass do not belong together, do not use them."
        )
        found.append(Caution(IMPOSSIBLE_CODE, text, "project rule"))
    return tuple(found)
