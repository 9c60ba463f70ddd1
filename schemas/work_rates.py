"""Published costs of field work, each named, with its year and currency.

A custom rate is what others were paid for tractor, implement, fuel and labor together; an own cost is what
they cost a farm that does the work itself. They are for comparison, and for the parts of an own cost that the
field book lacks; none enters the cost that the trial is charged with.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WorkRate:
    """One published rate: words that a practice's name holds, money by acre, and where it is from."""

    words: tuple[str, ...]
    per_acre: float
    currency: str
    source: str


@dataclass(frozen=True, slots=True)
class HourRate:
    """What one part of the work costs by tractor hour, and where that is from."""

    per_hour: float
    currency: str
    source: str


DEEP = ("deep till", "subsoil", "deep ripping")
RATES: tuple[WorkRate, ...] = (
    # Iowa State University Extension, 2019 Iowa Farm Custom Rate Survey, as quoted in the public
    # press in April 2019 (median, deep tillage with a V-shaped ripper).
    WorkRate(DEEP, 23.45, "USD", "Iowa Farm Custom Rate Survey, 2019"),
    # Ontario Ministry of Agriculture, Food and Rural Affairs, Survey of Custom Farmwork Rates Charged in 2015, table
    # 8, as on its page omafra.gov.on.ca/english/busdev/2015customratesa3.htm: deep tillage/subsoiling, provincial
    # average of 19 answers (15th to 85th percentile 24 to 34 CAD). No later figure for this work was found.
    WorkRate(DEEP, 29.00, "CAD", "Ontario Survey of Custom Farmwork Rates, 2015"),
)
# University of Illinois, machinery cost estimates of 2019, as quoted in the public press on September 17, 2021:
# ripper with shanks only; tractor and implement overhead (repairs are in it), fuel, lubricants and labor.
OWN_RATES: tuple[WorkRate, ...] = (
    WorkRate(DEEP, 22.50, "USD", "University of Illinois machinery cost estimates, 2019"),
)
# The same source, estimates of 2021 as quoted in the public press on October 21, 2021: a tractor of 310 PTO
# horsepower cost 126.10 USD an hour in depreciation, interest, insurance, housing and repairs, and burned
# 13.6 gallons of diesel an hour. In 2019 it cost 181.10 USD an hour in all, of that 122.90 overhead and fuel at
# 2.50 USD a gallon: the rest, 24.20 USD, is labor with the lubricants. The implement's own wear is in none.
FUEL_GALLONS_PER_HOUR, FUEL_SOURCE = 13.6, "University of Illinois, 2021"
HOUR_RATES: dict[str, HourRate] = {
    "machine": HourRate(126.10, "USD", "University of Illinois, 2021"),
    "labour": HourRate(24.20, "USD", "University of Illinois, 2019"),
}
