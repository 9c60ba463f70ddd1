"""What people call the quantities of an instrument, by the quantities that the words stand for."""

from schemas.quantities import QUANTITIES, Instrument

_WORDS: dict[str, tuple[str, ...]] = {
    "air temperature": ("air_temp", "air_temp_max", "air_temp_min"),
    "humidity": (
        "relative_humidity",
        "relative_humidity_max",
        "relative_humidity_min",
        "dew_point",
        "vapour_pressure",
        "specific_humidity",
        "vapour_pressure_deficit",
    ),
    "rain": ("rain", "rain_counter", "rain_counter_rolls_at", "rain_over"),
    "wind": ("wind_speed", "wind_gust", "wind_direction"),
    "radiation": ("solar_radiation", "solar_energy"),
    "soil moisture": ("vwc", "permittivity", "raw"),
    "soil temperature": ("soil_temp",),
    "water meter": (
        "water_volume",
        "water_counter",
        "water_counter_rolls_at",
        "water_flow",
    ),
    "battery": ("battery", "probe_battery"),
}
_GROUP = {name: words for words, names in _WORDS.items() for name in names}


def columns_of(instrument: Instrument) -> dict[str, tuple[str, ...]]:
    """Return the reading columns behind each word; a quantity in no group stands under its own name."""
    found: dict[str, tuple[str, ...]] = {}
    for quantity in QUANTITIES:
        if quantity.instrument is instrument:
            words = _GROUP.get(quantity.name, quantity.name.replace("_", " "))
            found[words] = (*found.get(words, ()), quantity.column.name)
    return found


# Every word, stations' first.
WORDS: tuple[str, ...] = tuple(dict.fromkeys(w for kind in Instrument for w in columns_of(kind)))
