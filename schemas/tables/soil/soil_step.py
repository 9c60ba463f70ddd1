"""Days on which a sensor was swapped or newly calibrated, as its record shows them."""

from schemas.shared_columns import DAY, DEPTH, PROBE
from schemas.table import Table, Tier, number

TABLE = Table(
    "soil_step",
    Tier.DERIVED,
    "one unexplained step in the record of one sensor of a probe",
    (
        PROBE,
        DEPTH,
        DAY,
        number("step_pct", "percent", "size of the step, negative where it went down", -100, 100),
    ),
)
