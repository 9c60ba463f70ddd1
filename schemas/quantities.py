"""The quantities that an instrument can report: the one place of their units and limits.

A layout names a quantity (``air_temp``) and the unit it is written in; the reading lands in the
column declared here, in the unit declared here. The limits are what physics allows at the door
(wide: world records and sensor overshoot), not what is likely; the likely is judged later.
"""

from dataclasses import dataclass
from enum import StrEnum

from schemas.table import Column, number


class Instrument(StrEnum):
    """What carries the sensor."""

    STATION = "station"
    PROBE = "probe"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A reportable quantity: the name used in layouts and the column that it lands in."""

    name: str
    instrument: Instrument
    column: Column

    @property
    def unit(self) -> str:
        """The unit it is stored in."""
        return self.column.unit


def _station(name: str, column: Column) -> Quantity:
    return Quantity(name, Instrument.STATION, column)


def _probe(name: str, column: Column) -> Quantity:
    return Quantity(name, Instrument.PROBE, column)


# Limits: air temperature and rain from the WMO archive of weather extremes (-89.2 to 56.7 degC;
# 1,825 mm in a day), from memory, rounded outwards; the others common practice, no source.
QUANTITIES: tuple[Quantity, ...] = (
    _station(
        "air_temp", number("air_temp_c", "degC", "air temperature, mean of the interval", -90, 60)
    ),
    _station(
        "air_temp_max",
        number("air_temp_max_c", "degC", "highest air temperature of the interval", -90, 60),
    ),
    _station(
        "air_temp_min",
        number("air_temp_min_c", "degC", "lowest air temperature of the interval", -90, 60),
    ),
    _station(
        "relative_humidity",
        number(
            "relative_humidity_pct",
            "percent",
            "relative humidity, mean of the interval; a wet sensor may pass 100",
            0,
            105,
        ),
    ),
    _station(
        "relative_humidity_max",
        number(
            "relative_humidity_max_pct",
            "percent",
            "highest relative humidity of the interval",
            0,
            105,
        ),
    ),
    _station(
        "relative_humidity_min",
        number(
            "relative_humidity_min_pct",
            "percent",
            "lowest relative humidity of the interval",
            0,
            105,
        ),
    ),
    _station(
        "dew_point", number("dew_point_c", "degC", "dew point, mean of the interval", -100, 40)
    ),
    _station(
        "vapour_pressure",
        number("vapour_pressure_kpa", "kPa", "actual vapour pressure, mean of the interval", 0, 8),
    ),
    _station(
        "specific_humidity",
        number(
            "specific_humidity_g_kg",
            "g/kg",
            "mass of water vapour in a mass of moist air, mean of the interval",
            0,
            60,
        ),
    ),
    _station(
        "vapour_pressure_deficit",
        number(
            "vapour_pressure_deficit_kpa",
            "kPa",
            "what the air lacks to saturation, mean of the interval; a wet sensor may pass zero",
            -0.5,
            20,
        ),
    ),
    _station("rain", number("rain_mm", "mm", "rain that fell in the interval", 0, 1900)),
    _station(
        "rain_counter",
        number(
            "rain_counter_mm",
            "mm",
            "running rain total as the logger shows it; increments are taken later, so that no file border matters",
            0,
            1e6,
        ),
    ),
    _station(
        "rain_counter_rolls_at",
        number(
            "rain_counter_rolls_at_mm",
            "mm",
            "the total at which the counter starts again from zero; null where it is reset by hand or at midnight",
            0,
            1e6,
        ),
    ),
    _station(
        "rain_over",
        number(
            "rain_over_d",
            "day",
            (
                "days that rain_mm is the total of; 0 where the record says that it is of several, "
                "but not of how many; null where it is of the interval"
            ),
            0,
            31,
        ),
    ),
    _station(
        "wind_speed",
        number(
            "wind_speed_m_s",
            "m/s",
            "wind speed at the sensor's height, mean of the interval",
            0,
            90,
        ),
    ),
    _station(
        "wind_gust", number("wind_gust_m_s", "m/s", "highest wind speed of the interval", 0, 120)
    ),
    _station(
        "wind_direction",
        number(
            "wind_direction_deg",
            "degree",
            "direction that the wind comes from, clockwise from north",
            0,
            360,
        ),
    ),
    _station(
        "solar_radiation",
        number(
            "solar_radiation_w_m2",
            "W/m^2",
            "global short-wave radiation, mean flux of the interval; a night offset may be negative",
            -30,
            1600,
        ),
    ),
    _station(
        "solar_energy",
        number(
            "solar_energy_mj_m2",
            "MJ/m^2",
            "global short-wave radiation, sum of the interval",
            0,
            50,
        ),
    ),
    _station(
        "air_pressure",
        number(
            "air_pressure_kpa",
            "kPa",
            "air pressure at the station, not reduced to sea level",
            45,
            110,
        ),
    ),
    _station("snow_depth", number("snow_depth_cm", "cm", "depth of snow on the ground", 0, 1500)),
    _station(
        "reference_et",
        number(
            "reference_et_mm",
            "mm",
            "reference evapotranspiration as the logger computed it",
            -1,
            30,
        ),
    ),
    _station(
        "water_volume",
        number("water_volume_m3", "m^3", "irrigation water that passed in the interval", 0, 1e7),
    ),
    _station(
        "water_counter",
        number(
            "water_counter_m3",
            "m^3",
            "running total of a water meter as it shows it; increments are taken later",
            0,
            1e10,
        ),
    ),
    _station(
        "water_counter_rolls_at",
        number(
            "water_counter_rolls_at_m3",
            "m^3",
            "the total at which the meter starts again from zero; null where it is reset by hand",
            0,
            1e10,
        ),
    ),
    _station(
        "water_flow",
        number(
            "water_flow_m3_h",
            "m^3/hour",
            "rate of flow of irrigation water, mean of the interval; noise at rest may be negative",
            -1000,
            1e6,
        ),
    ),
    _station("battery", number("battery_v", "V", "supply voltage of the logger", 0, 30)),
    _probe("vwc", number("vwc_pct", "percent", "volumetric water content", 0, 100)),
    _probe("soil_temp", number("soil_temp_c", "degC", "soil temperature", -50, 80)),
    _probe("permittivity", number("permittivity", "1", "relative dielectric permittivity", 1, 100)),
    _probe(
        "raw",
        number(
            "raw_count",
            "1",
            "raw counts or frequency of the sensor, for the sensor's own calibration",
            -1e12,
            1e12,
        ),
    ),
    _probe("salinity", number("salinity_ds_m", "dS/m", "bulk electrical conductivity", 0, 100)),
    _probe(
        "probe_battery",
        number("probe_battery_v", "V", "supply voltage of the probe's logger", 0, 30),
    ),
)

# What a layout may call a running total (``counts``): the total's quantity and that of ``rolls_at``.
COUNTED = {
    "rain": ("rain_counter", "rain_counter_rolls_at"),
    "water_volume": ("water_counter", "water_counter_rolls_at"),
}
# What is stored beside another quantity and is none of its own in a layout (counts, rolls_at, flags).
BESIDE = (*(name for names in COUNTED.values() for name in names), "rain_over")

# Amounts that are measured as they fall or lie, of which there may be a trace.
AMOUNTS = ("rain", "snow_depth")
# What a probe reports once, not at each depth: its column or series needs no place.
OF_WHOLE_PROBE = frozenset({"probe_battery"})

BY_NAME: dict[str, Quantity] = {quantity.name: quantity for quantity in QUANTITIES}


def columns_of(instrument: Instrument) -> tuple[Column, ...]:
    """Return the reading columns of one kind of instrument, in the order declared."""
    return tuple(q.column for q in QUANTITIES if q.instrument is instrument)
