"""What the ground alone may make two strips differ by in one image."""

from schemas.shared_columns import FIELD
from schemas.table import Compared, Table, Tier, day, number, text

TABLE = Table(
    "vegetation_ground",
    Tier.SETUP,
    "how far the difference of two strips' vegetation indexes in one image may be off by their ground",
    (
        FIELD,
        day("day", "day on which the image was taken", key=True),
        text("source", "where it is from, as in vegetation_strip", key=True),
        text("image", "name of the image, as in vegetation_strip", key=True),
        number(
            "half_width",
            "1",
            "half of the 95 % interval of the difference; null for too few pixels",
            0,
        ),
        number(
            "apart_share",
            "1",
            "distance of the strips' middles, as a share of the longer one's length",
            0,
        ),
        text("delivery", "the delivery that it was read from", provenance=True),
    ),
    compared=Compared.ALONE,
)
