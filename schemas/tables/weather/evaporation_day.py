"""Evaporation from the soil's surface beside the crop's own demand."""

from schemas.table import Table, Tier, day, number, partial, reason, share, text

TABLE = Table(
    "evaporation_day",
    Tier.DERIVED,
    "evaporation from the soil at one station on one day, by the dual crop coefficient",
    (
        text("station", "name of the station", key=True),
        day("day", "climatological day", key=True),
        text("field", "field that the station stood in that day"),
        text("strip", "side of the trial", one_of=("treated", "check")),
        number("basal_coefficient", "1", "transpiration where it lacks no water over reference evapotranspiration", 0, 1.5),
        number("evaporation_coefficient", "1", "evaporation from the soil over reference evapotranspiration", 0, 1.5),
        number("basal_et_mm", "mm", "transpiration of the crop where it lacks no water", 0, 30),
        number("soil_evaporation_mm", "mm", "evaporation from the surface of the soil", 0, 30),
        number("surface_depletion_mm", "mm", "water that the evaporation layer lacks at the end of the day", 0, 100),
        share("coverage", "share known of: reference evapotranspiration, rain"),
        partial(),
        reason(),
    ),
)  # fmt: skip
