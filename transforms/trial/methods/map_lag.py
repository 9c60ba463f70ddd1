"""The lag between the cut and the grain sensor, from neighboring passes driven opposite ways.

A combine weighs grain some seconds after it was cut. Where the export has not taken that off, the good
and poor places of two neighboring passes driven opposite ways stand apart by twice the way driven in
the lag; taken back by the right lag they lie side by side. So the lag is the one at which neighbors
driven opposite ways differ least (the principle of Chung, Sudduth and Drummond 2002, Transactions of
the ASAE 45, from memory; the search and its limits are ours, no source). It counts where leaving out a
tenth of the pairs hardly moves it; else none is seen, and nothing is shifted.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.trial.methods.map_geometry import Floats
from transforms.trial.methods.map_passes import ASSUMED_WIDTH_M, MAP

TRIED_S = np.arange(-15.0, 25.5, 0.5)  # negative: the export took off too much
GRID_M = 2.0
LEAST_PAIRS = 8
MOST_PAIRS = 400  # of a large map every so many are enough
LEAST_LINE_M = 60.0
NEIGHBORS = 1.5  # swaths between lines that are compared
PARTS = 10  # of the pairs, each left out once
SURE = 3.0  # standard errors that a lag must have from 0
LEAST_S = 1.0  # a smaller lag is not worth a shift
BETTER = 0.8  # of the difference without a shift, at most (on simulated ground without a lag 1 % are shifted)


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of a map: its place across, its way (+1 or -1), places ahead, speed [m/s], yields."""

    across: float
    way: float
    ahead: Floats
    speed: float
    values: Floats


def with_lag(points: pl.DataFrame) -> pl.DataFrame:
    """Take the lag off the yields of every map; ``lag_s`` is then what was taken off.

    ``points``: maps as ``with_passes`` leaves them. A lag that the export gives stands; a map
    without a clock has none that can be taken off.
    """
    return pl.concat(_shifted(one) for one in points.partition_by(MAP, maintain_order=True))


def _shifted(points: pl.DataFrame) -> pl.DataFrame:
    step = points["step_s"].filter(points["step_s"] > 0).median()
    if not isinstance(step, float):
        return points.with_columns(lag_s=pl.lit(None, pl.Float64))
    given = points["lag_s"].drop_nulls().median()
    width = points["full_m"].first()
    flow = pl.col("flow_kg_s") / pl.col("speed_km_h")
    values = ("yield_kg_ha", "yield_bu_ha", "market_yield_kg_ha", "market_yield_bu_ha")
    found = (
        float(given)
        if isinstance(given, float)
        else lag_of(
            points.with_columns(value=pl.coalesce(*values, flow)),
            float(width) if isinstance(width, float) else ASSUMED_WIDTH_M,
        )
    )
    late = round((found or 0.0) / step)
    delayed = [
        pl.col(name).shift(-late).over("stretch") for name in (*values, "flow_kg_s", "moisture_pct")
    ]
    return points.with_columns(*(delayed if late else []), lag_s=pl.lit(found, pl.Float64))


def lag_of(points: pl.DataFrame, swath: float) -> float | None:
    """Return the lag of one map [s], 0 where neighbors show none, None where they cannot show it.

    ``points``: ``line``, ``along``, ``across_m``, ``ahead_m``, ``speed_km_h``, ``value`` (yield or
    flow over speed, in any unit), in the order driven; ``swath`` [m].
    """
    lines = _lines(points)
    pairs = [
        (one, other)
        for k, one in enumerate(lines)
        for other in lines[k + 1 : k + 4]
        if one.way != other.way and 0.3 * swath < other.across - one.across < NEIGHBORS * swath
    ]
    if len(pairs) < LEAST_PAIRS:
        return None
    pairs = pairs[:: 1 + len(pairs) // MOST_PAIRS]
    apart = np.array([_apart(one, other) for one, other in pairs])
    known = np.isfinite(apart).all(axis=1) & (apart > 0).any(axis=1)
    if known.sum() < LEAST_PAIRS:
        return None
    apart = apart[known] / apart[known].mean(axis=1, keepdims=True)
    whole = apart.mean(axis=0)
    best = _lowest(whole)
    part = np.arange(len(apart)) % min(PARTS, len(apart))
    without = np.array([_lowest(apart[part != p].mean(axis=0)) for p in np.unique(part)])
    n = len(without)
    error = float(np.sqrt((n - 1) / n * ((without - without.mean()) ** 2).sum()))
    seen = abs(best) >= LEAST_S and abs(best) > SURE * error
    better = whole.min() < BETTER * whole[np.argmin(np.abs(TRIED_S))]
    return round(best, 1) if seen and better else 0.0


def _lines(points: pl.DataFrame) -> list[_Line]:
    """The lines of a map that are long enough, across the field."""
    found = []
    good = points.filter(
        pl.col("line").is_not_null() & pl.col("value").is_finite() & (pl.col("speed_km_h") > 0)
    )
    for _, line in good.group_by("line", maintain_order=True):
        ahead, values = line["ahead_m"].to_numpy(), line["value"].to_numpy()
        if len(line) < 10 or np.ptp(ahead) < LEAST_LINE_M or values.mean() <= 0:
            continue
        low, high = np.quantile(values, [0.05, 0.95])  # spikes would decide a square
        found.append(
            _Line(
                float(line["across_m"].to_numpy().mean()),
                float(np.sign(ahead[-1] - ahead[0])),
                ahead,
                float(np.median(line["speed_km_h"].to_numpy())) / 3.6,
                np.clip(values, low, high) / values.mean(),
            )
        )
    return sorted(found, key=lambda one: one.across)


def _apart(one: _Line, other: _Line) -> Floats:
    """Mean square of the difference of two neighbors, for each lag that is tried."""
    longest = float(np.abs(TRIED_S).max()) * max(one.speed, other.speed)
    low = max(one.ahead.min(), other.ahead.min()) + longest
    high = min(one.ahead.max(), other.ahead.max()) - longest
    if high - low < LEAST_LINE_M:
        return np.full(len(TRIED_S), np.nan)
    grid = np.arange(low, high, GRID_M)
    moved = [[_taken_back(line, lag, grid) for line in (one, other)] for lag in TRIED_S]
    return np.array([float(np.var(a - b)) for a, b in moved])


def _taken_back(line: _Line, lag: float, grid: Floats) -> Floats:
    place = line.ahead - line.way * line.speed * lag
    order = np.argsort(place, kind="stable")
    return np.interp(grid, place[order], line.values[order])


def _lowest(curve: Floats) -> float:
    """Where a curve over the lags is lowest, between two of them by a parabola."""
    at = int(np.argmin(curve))
    if at in (0, len(curve) - 1):
        return float(TRIED_S[at])
    left, here, right = curve[at - 1 : at + 2]
    bend = left - 2 * here + right
    shift = 0.5 * (left - right) / bend if bend > 0 else 0.0
    return float(TRIED_S[at] + shift * (TRIED_S[1] - TRIED_S[0]))
