"""What a soil sensor says of the soil: its own gain, offset, temperature and aging over the truth.

A dielectric sensor sees liquid water and a little of the ice, drifts with its temperature, reads
low while the soil closes around it after installation, and shows what its resolution allows.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.simulator.ground import MIDDLE_CM
from demo_warehouse.simulator.heat import unfrozen_share

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Logger:
    """A probe's electronics. Percent is volumetric water content in percent."""

    step_min: int = 60
    resolution_pct: float = 0.1
    noise_pct: float = 0.05
    offset_pct: float = 1.5  # spread between sensors (standard deviation)
    gain_share: float = 0.04  # spread between sensors
    temperature_pct_c: float = 0.04  # spread between sensors, percent per degC about 15 degC
    drift_pct_year: float = 0.2  # spread between sensors
    dropout_share: float = 0.002  # single readings lost
    settling_pct: float = 0.0  # reads low by this when just set, fading over two weeks
    soil_temp: bool = True


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor's own errors, drawn once."""

    gain: float
    offset_pct: float
    temperature_pct_c: float
    drift_pct_year: float


def draw(rng: np.random.Generator, logger: Logger) -> Sensor:
    """A sensor's errors at random."""
    return Sensor(
        float(1 + rng.normal(0, logger.gain_share)),
        float(rng.normal(0, logger.offset_pct)),
        float(rng.normal(0, logger.temperature_pct_c)),
        float(rng.normal(0, logger.drift_pct_year)),
    )


def slice_of(depth_cm: float) -> int:
    """The slice that a depth lies in."""
    return int(np.argmin(np.abs(MIDDLE_CM - depth_cm)))


def refine(hourly: Array, step_min: int) -> Array:
    """Values at the ends of the hours, brought to a finer step by straight lines; same start."""
    if step_min == 60:
        return hourly
    per = 60 // step_min
    at = np.arange(1, len(hourly) * per + 1) / per
    return np.interp(at, np.arange(1, len(hourly) + 1), hourly)


def reading_pct(
    rng: np.random.Generator,
    logger: Logger,
    sensor: Sensor,
    *,
    theta: Array,
    temp_c: Array,
    set_days: Array,
) -> Array:
    """The readings in percent, at the logger's step; NaN where one was lost.

    ``theta`` and ``temp_c`` are the truth at the sensor at the ends of the logger's steps;
    ``set_days`` the days since the probe was last set.
    """
    liquid = unfrozen_share(temp_c)
    seen = 100 * theta * (liquid + 0.12 * (1 - liquid))
    value = sensor.gain * seen + sensor.offset_pct
    value += sensor.temperature_pct_c * (temp_c - 15)
    value += sensor.drift_pct_year * np.arange(len(theta)) * logger.step_min / (525600)
    value -= logger.settling_pct * np.exp(-set_days / 12)
    value += rng.normal(0, logger.noise_pct, len(theta))
    if logger.resolution_pct > 0:
        value = np.round(value / logger.resolution_pct) * logger.resolution_pct
    value = np.clip(np.round(value, 4), 0, 100)
    return np.where(rng.random(len(theta)) < logger.dropout_share, np.nan, value)
