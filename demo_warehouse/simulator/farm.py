"""The whole farm simulated: weather of four fields, nine strips of soil, five seasons."""

from dataclasses import dataclass, fields, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.simulator import climate, crops, ground, heat, water
from demo_warehouse.simulator.forcing import ROOT_SCALE_CM, Forcing, Truth, of_pairs
from demo_warehouse.simulator.plan import (
    DAYS,
    DEEPER_CM,
    FIRST,
    HARDNESS,
    LAST,
    LOOSENED,
    PAN_CM,
    ROOTS_THIN_CM,
    SETTLES_YEARS,
    SWIFTER,
    Plan,
    wetness,
)

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Farm:
    """What really was: site i is field i of the plan, strip 2i its treated and 2i+1 its check.

    Further strips come after these (``Plan.strip``).
    """

    plan: Plan
    weather: list[climate.Hourly]
    ground: heat.Ground
    water: Truth
    hardness: Array  # (days, strips)
    transpiration: Array  # (days, strips), mm


def wetness_by_day(number: int) -> Array:
    """Rain against the climate's normal, by day of the record: as planned for the season."""
    days = [FIRST + timedelta(days=i) for i in range(number)]
    return np.array([wetness(d.year + (d.month >= 9)) for d in days])


def as_planned(day: climate.Daily) -> climate.Daily:
    """The weather with each season's rain brought to its plan, April to August and the rest apart.

    The winter half departs from the normal by the square root of what the season does.
    """
    days = [day.first + timedelta(days=i) for i in range(len(day.rain_mm))]
    year = np.array([d.year + (d.month >= 9) for d in days])
    month = np.array([d.month for d in days])
    grows = (month >= 4) & (month <= 8)
    normal = np.array(climate.Climate().rain_mm)[month - 1] / 30.44
    rain = day.rain_mm.copy()
    for season in np.unique(year):
        for half, power in ((grows, 1.0), (~grows, 0.5)):
            at = (year == season) & half
            if rain[at].sum() > 0:
                rain[at] *= wetness(int(season)) ** power * normal[at].sum() / rain[at].sum()
    return replace(day, rain_mm=rain)


def _region(rng: np.random.Generator, first: date, days: int) -> climate.Hourly:
    return climate.hourly(rng, as_planned(climate.daily(rng, first, days)))


def _joined(one: climate.Hourly, other: climate.Hourly) -> climate.Hourly:
    """Return two records as one; the second begins where the first ends."""
    arrays = {
        field.name: np.concatenate([getattr(one, field.name), getattr(other, field.name)])
        for field in fields(one)
        if field.name != "first"
    }
    return climate.Hourly(first=one.first, **arrays)


def sites(rng: np.random.Generator, plan: Plan) -> list[climate.Hourly]:
    """The weather of each field: one region, each field its own showers and its own degree or so."""
    (after,) = rng.spawn(1)  # draws of its own: the years on record stay as they are
    more = plan.days - DAYS
    region = _region(rng, FIRST, DAYS)
    if more:
        region = _joined(region, _region(after, LAST + timedelta(days=1), more))
    found = []
    for _ in plan.fields:
        showers = np.concatenate([rng.normal(0, 0.18, DAYS), after.normal(0, 0.18, more)])
        shower = np.exp(showers).repeat(24)
        warmer = rng.normal(0, 0.25)
        found.append(
            replace(
                region,
                air_temp_c=region.air_temp_c + warmer,
                rain_mm=region.rain_mm * shower,
                wind_m_s=region.wind_m_s * float(np.exp(rng.normal(0, 0.06))),
            )
        )
    return found


def hardness(plan: Plan) -> Array:
    """How much of the compacted layer there is, by day and strip: loosened on the day of an
    operation on a strip, settling again sooner in wet years."""
    wet = wetness_by_day(plan.days)
    places = [(field, strip) for field in plan.fields for strip in plan.strips(field)]
    out = np.zeros((plan.days, len(places)))
    for field, strip in places:
        loosened = np.zeros(plan.days)
        for operation in plan.operations:
            if (operation.field, operation.strip) == (field, strip):
                at = (operation.day - FIRST).days
                age = np.cumsum(wet[at:]) / 365.25
                again = LOOSENED[operation.practice] * np.exp(-age / SETTLES_YEARS)
                loosened[at:] = np.maximum(loosened[at:], again)
        out[:, plan.strip(field, strip)] = HARDNESS[field] * (1 - loosened)
    return out


def forcing(weather: list[climate.Hourly], base: heat.Ground, plan: Plan) -> Forcing:
    """What drives the farm's strips."""
    grown = [
        crops.growth(
            weather[i],
            base.snow_cm[:, i],
            plan.seasons[field],
            DEEPER_CM.get(field, 0.0),
            SWIFTER.get(field, 1.0),
        )
        for i, field in enumerate(plan.fields)
    ]
    thin = [ROOTS_THIN_CM.get(field, ROOT_SCALE_CM) for field in plan.fields]
    pans = [ground.in_pan(*PAN_CM[field]) for field in plan.fields]
    return of_pairs(
        base,
        grown,
        pans,
        hardness(plan),
        cropped=True,
        root_scale_cm=thin,
        more_sites=plan.more_sites,
    )


def simulate(seed: int, plan: Plan) -> Farm:
    """The years of the plan; the same seed gives the same farm."""
    weather = sites(np.random.default_rng([seed, 2020]), plan)
    base = heat.ground(
        np.stack([w.rain_mm for w in weather], axis=1),
        np.stack([w.air_temp_c for w in weather], axis=1),
        np.stack([w.solar_w_m2 for w in weather], axis=1),
    )
    drive = forcing(weather, base, plan)
    column = ground.column([ground.SOILS["clay"]] * len(drive.site))
    start = column.wilting + 0.6 * (column.field_capacity - column.wilting)
    truth = water.run(column, drive, start, every_h=3)
    return Farm(plan, weather, base, truth, drive.hardness, truth.uptake_mm.sum(axis=2))
