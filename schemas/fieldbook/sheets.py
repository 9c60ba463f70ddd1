"""The field book: its sheets, the headings each column may have, and the words people use.

A heading's unit stands behind it (``depth (in)``). What a column is stored in is declared once, in
the table it lands in (``schemas/tables``); here stands only how people write it. A heading without
a unit is a fault where the unit could be anything: a guess would be worse than a question.
"""

from schemas.fieldbook.corners import CORNERS
from schemas.fieldbook.instruments import DO_NOT_USE, GAUGE, LIFTS, RENAMES
from schemas.fieldbook.parts import Sheet
from schemas.fieldbook.trial import COSTS, FIELDS, PASSES, PLANS, PRICES, SEASONS, STRIPS
from schemas.fieldbook.work import IRRIGATION, NOTES, OBSERVATIONS, OPERATIONS, PENETROMETER

# Renames come first: every name is read by them. Then fields, which the other sheets are compared
# with; seasons before what needs their crop.
SHEETS: tuple[Sheet, ...] = (
    RENAMES,
    FIELDS,
    STRIPS,
    SEASONS,
    OPERATIONS,
    PASSES,
    PRICES,
    PLANS,
    COSTS,
    IRRIGATION,
    PENETROMETER,
    OBSERVATIONS,
    NOTES,
    LIFTS,
    DO_NOT_USE,
    GAUGE,
    CORNERS,
)
