"""The vegetation index of a strip in one image."""

from schemas.shared_columns import BOOK_STRIP, completeness
from schemas.table import Table, Tier, count, day, number, share, text

TABLE = Table(
    "vegetation_strip",
    Tier.SETUP,
    "the vegetation index of one strip in one image, inside its outline less a border of one pixel",
    (
        text("field", "name of the field as its outline has it", key=True),
        BOOK_STRIP,
        day("day", "day on which the image was taken", key=True),
        text(
            "source",
            "the folder in images/ that it lies in (or images), or the STAC source; two are not compared",
            key=True,
        ),
        text(
            "image", "name of its file below images/, or source and name of the STAC item", key=True
        ),
        number(
            "vegetation_index",
            "1",
            "mean of the clear pixels, each by the share of it that lies inside",
            -1,
            1,
        ),
        number("spread", "1", "standard deviation of those pixels, by the same shares", 0, 2),
        count("pixels_whole", "clear pixels that lie inside as a whole"),
        number("pixels_weight", "1", "clear pixels inside, parts counted as parts", 0),
        number("pixel_m", "m", "length of a pixel's side", 0),
        share("cloud_share", "share of the ground inside under cloud, shadow or snow"),
        *completeness("share of the ground inside with a clear pixel"),
        text("delivery", "the delivery that it was read from", provenance=True),
    ),
)
