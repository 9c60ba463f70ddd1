"""What can be believed of one sensor on one day."""

from schemas.shared_columns import DAY, DEPTH, PROBE, PROBE_STOOD_IN, QUALITIES, completeness
from schemas.table import Table, Tier, flag, number, text

TABLE = Table(
    "soil_quality_day",
    Tier.DERIVED,
    "the quality checks of one sensor of a probe on one day",
    (
        PROBE,
        DEPTH,
        DAY,
        *PROBE_STOOD_IN,
        text(
            "quality",
            (
                "the checks rolled up: the worst of them; not evaluated where none could be made, or "
                "the soil may be frozen"
            ),
            required=True,
            one_of=QUALITIES,
        ),
        flag("impossible", "water content outside of what any soil holds; null not evaluated"),
        flag(
            "frozen",
            (
                "soil at or below about freezing: a dielectric sensor reads dry; null where no soil "
                "temperature near the depth is known"
            ),
        ),
        flag(
            "may_be_frozen",
            (
                "true where air temperature or, without one, the season allow frost at this depth, "
                "false where not; null where a soil temperature tells"
            ),
        ),
        flag("spike", "single values far from those before and after; null not evaluated"),
        flag("step", "a jump that no rain, neighbor or temperature explains; null not evaluated"),
        flag("stuck", "one value for too long; null not evaluated"),
        flag("settling", "first weeks after the probe was set: the soil still closes on it"),
        number(
            "step_pct",
            "percent",
            "size of that jump, negative where it went down; null where there is none",
            -100,
            100,
        ),
        flag("usable", "true where the day's water content may be used", required=True),
        *completeness("share of the day with water content"),
    ),
)
