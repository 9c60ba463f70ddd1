"""field_outlook: the fields for the coming fall by expected net, and how sure that is."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from schemas import generated
from schemas.cautions import WORKING
from schemas.tables.money.field_outlook import TABLE
from transforms.methods import calendar_day
from transforms.methods.texts import joined
from transforms.money.methods.chance_words import PAYS, UNKNOWN, by_chance
from transforms.trial.methods.fade_line import (
    DIMENSIONS,
    Fade,
    cost_is_whole,
    money_line,
    practice_cost,
)
from transforms.trial.methods.since_operation import (
    counts_for_season,
    in_crop,
    treated_operations,
)
from transforms.trial.methods.trial_pooling import fixed_points
from transforms.trial.methods.trial_statistics import CONFIDENCE

Array = NDArray[np.float64]

# Days after harvest that count as the fall's working time. Common practice, no source.
WINDOW_D = 60


@dataclass(frozen=True, slots=True)
class Farm:
    """What a practice has earned on the whole farm, and how its fields differ."""

    line: Fade
    horizon: int
    cost: float
    level: float  # mean of the line over the years seen
    field_var: float  # between fields
    season_var: float  # between true season nets of one field
    within_var: float  # between measured season nets of one field

    def scale(self, own: tuple[float, int]) -> tuple[float, float]:
        """A field's size against the line, with its sd: its own mean departure drawn toward none."""
        departure, n = own
        if self.level <= 0:
            return 1.0, 0.0
        noise = self.within_var / n if n else np.inf
        trust = self.field_var / (self.field_var + noise) if self.field_var > 0 and n else 0.0
        return 1 + trust * departure / self.level, (
            self.field_var * (1 - trust)
        ) ** 0.5 / self.level

    def net(self, since: int | None, own: tuple[float, int]) -> dict[str, object]:
        """Expected net of working now, against leaving the field as it is."""
        years = np.arange(1.0, self.horizon + 1)
        points = special.ndtri(fixed_points(DIMENSIONS))
        size, sd = self.scale(own)
        sizes = np.maximum(size + sd * points[:, 3], 0.0)

        def gain(lines: Array) -> Array:
            worked = self.line.values(lines, years)
            left = self.line.values(lines, years + since) if since is not None else 0.0
            return np.asarray((worked - left).sum(axis=1))

        scatter = (self.season_var * self.horizon) ** 0.5 * points[:, 4]
        drawn = sizes * gain(self.line.draws()) + scatter - self.cost
        tail = 100 * (1 - CONFIDENCE) / 2
        low, high = np.percentile(drawn, [tail, 100 - tail])
        middle = float(drawn.mean())
        chance = float((drawn > 0).mean())
        return {
            "horizon": self.horizon,
            "cost_per_ha": self.cost,
            "expected_gain_per_ha": middle + self.cost,
            "expected_net_per_ha": middle,
            "net_low_per_ha": low,
            "net_high_per_ha": high,
            "net_chance": chance,
            "own_share": max(size, 0.0),
            "fading": bool(self.line.line[1] < 0),
        }


def derive(
    *,
    field: pl.DataFrame,
    season: pl.DataFrame,
    operation: pl.DataFrame,
    operation_cost: pl.DataFrame,
    payback: pl.DataFrame,
    response_fade: pl.DataFrame,
    working_window: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """What working each field in the coming fall should earn, in currency per hectare.

    The coming fall of a field is that of its own latest season (without one, of the farm's): where a
    winter crop stands, the fall after it. Over the best repeat interval of
    ``response_fade``, but no longer than any field was followed, the season nets of the farm's
    fitted line if the field is worked, less those to expect from the operation it had. A field
    that earned more or less than the line is taken to go on so, as far as fields differ beyond
    chance (moments, as in empirical Bayes). The range and the probability hold the line's error,
    the field's and the seasons' scatter, by fixed draws. The compacted layer and the soil's state
    come from ``working_window``. Strips compared with one that was worked itself are not listed: the
    outlook is for working a field, against leaving it.
    """
    repeats = comparison.filter(pl.col("against_role") == "treated").select(field="name")
    field = field.join(repeats, on="field", how="anti", maintain_order="left")
    if field.is_empty() or season.is_empty():
        return generated.empty(TABLE)
    since = _since(season, operation, field)
    rows: list[dict[str, object]] = []
    for (practice,), group in since.group_by("practice", maintain_order=True):
        farm = _farm(str(practice), payback, response_fade, operation_cost)
        own = _own(str(practice), payback, farm)
        rows += [
            {
                **row,
                "site_years": own.get(str(row["field"]), (0.0, 0))[1],
                "caution": WORKING,
                "cost_partial": not cost_is_whole(str(practice), operation_cost),
            }
            | (farm.net(row["years_since"], own.get(str(row["field"]), (0.0, 0))) if farm else {})
            for row in group.iter_rows(named=True)
        ]
    schema = {
        name: kind for name, kind in generated.polars_schema(TABLE).items() if name not in _LATER
    }
    schema |= {"fading": pl.Boolean(), "cost_partial": pl.Boolean()}
    out = (
        pl.DataFrame(rows, schema=schema, orient="row")
        .join(_window(working_window, season), on="field", how="left")
        .join(_layer(working_window), on="field", how="left")
        .with_columns(
            pl.col("window_days").fill_null(0),
            rank=pl.col("expected_net_per_ha").rank("ordinal", descending=True),
        )
    )
    return generated.conform(_with_reason(out), TABLE).sort(TABLE.key)


_LATER = (
    "rank",
    "outlook",
    "compacted_top_cm",
    "compacted_bottom_cm",
    "cone_index_max_mpa",
    "working_depth_cm",
    "dry_enough",
    "window_days",
    "soil_state",
    "soil_state_day",
    "coverage",
    "partial",
    "reason",
)


def _since(season: pl.DataFrame, operation: pl.DataFrame, field: pl.DataFrame) -> pl.DataFrame:
    """Each field with its coming fall, its last operation and the harvests since, by that fall."""
    latest = season.group_by("field").agg(fall=pl.col("season").max())
    falls = field.select("field").join(latest, on="field", how="left")
    falls = falls.with_columns(pl.col("fall").fill_null(season["season"].max()))
    last = (
        treated_operations(operation.with_columns(in_crop=in_crop()), field)
        .group_by("field")
        .agg(operation_day=pl.col("day").max(), in_crop=pl.col("in_crop").sort_by("day").last())
        .join(season.select("field", "season", "seeded", "harvested"), on="field", how="left")
        .with_columns(
            first=pl.when(
                (pl.col("season") == pl.col("operation_day").dt.year()) & counts_for_season()
            ).then(pl.col("season"))
        )
        .group_by("field", "operation_day")
        .agg(pl.col("first").min())
        .with_columns(pl.col("first").fill_null(pl.col("operation_day").dt.year() + 1))
    )
    return (
        field.select("field", "practice")
        .join(last, on="field", how="left")
        .join(falls, on="field")
        .with_columns(years_since=(pl.col("fall") - pl.col("first") + 1).clip(0).cast(pl.Int64))
        .select("field", "practice", "fall", "operation_day", "years_since")
        .sort("field")
    )


def _farm(
    practice: str, payback: pl.DataFrame, response_fade: pl.DataFrame, operation_cost: pl.DataFrame
) -> Farm | None:
    """The farm's line and horizon; None where there is no line, cost or horizon yet."""
    line, cost = money_line(practice, payback), practice_cost(practice, operation_cost)
    best = response_fade.filter((pl.col("practice") == practice) & pl.col("best"))
    if line is None or cost is None or best.is_empty():
        return None
    level = float(line.values(line.line[None, :], np.arange(1.0, line.last + 1)).mean())
    departures = _departures(practice, payback, line)
    counts = departures["n"].to_numpy().astype(float)
    means = departures["departure"].to_numpy()
    repeats = float((counts - 1).sum())
    within = float(departures["within"].sum()) / max(repeats, 1.0)
    # How fields differ shows only where there are several and some have more than one season.
    differ = counts.size > 1 and repeats > 0
    between = float(np.mean(means**2 - within / counts)) if differ else 0.0
    field_var = min(max(between, 0.0), line.scatter)
    return Farm(
        line=line,
        horizon=min(int(best["years_since"][0]), line.last),
        cost=cost,
        level=level,
        field_var=field_var,
        season_var=min(line.season_var, line.scatter - field_var),
        within_var=within,
    )


def _departures(practice: str, payback: pl.DataFrame, line: Fade) -> pl.DataFrame:
    """Each field's mean departure from the line, its seasons, and their sum of squares about it."""
    known = payback.filter(
        (pl.col("practice") == practice) & pl.col("season_net_per_ha").is_not_null()
    )
    expected = line.values(line.line[None, :], known["years_since"].to_numpy())[0]
    return (
        known.with_columns(rest=pl.col("season_net_per_ha") - pl.Series(expected))
        .sort("field", "season")
        .group_by("field", maintain_order=True)
        .agg(
            departure=pl.col("rest").mean(),
            n=pl.len(),
            within=((pl.col("rest") - pl.col("rest").mean()) ** 2).sum(),
        )
    )


def _own(practice: str, payback: pl.DataFrame, farm: Farm | None) -> dict[str, tuple[float, int]]:
    """By field: mean departure from the line, and the seasons behind it."""
    if farm is None:
        known = payback.filter(pl.col("season_net_per_ha").is_not_null())
        return {f: (0.0, n) for f, n in known.group_by("field").len().iter_rows()}
    found = _departures(practice, payback, farm.line)
    return {f: (d, n) for f, d, n in found.select("field", "departure", "n").iter_rows()}


def _window(working_window: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Share of the days after past harvests on which the check strip was friable."""
    days = working_window.filter(
        (pl.col("strip") == "check") & pl.col("state").is_not_null()
    ).select("field", "day", dry_enough=pl.col("state") == "friable")
    harvested = pl.col("harvested")
    after_harvest = calendar_day.each_day(
        season.select("field", "harvested"),
        harvested.dt.offset_by("1d"),
        harvested.dt.offset_by(f"{WINDOW_D}d"),
    )
    return (
        days.join(after_harvest, on=["field", "day"])
        .group_by("field")
        .agg(dry_enough=pl.col("dry_enough").mean(), window_days=pl.len().cast(pl.Int64))
    )


def _layer(working_window: pl.DataFrame) -> pl.DataFrame:
    """The latest compacted layer and soil state of the check strip, which the field is like."""
    check = working_window.filter(pl.col("strip") == "check").sort("day")
    names = ["compacted_top_cm", "compacted_bottom_cm", "cone_index_max_mpa", "working_depth_cm"]
    state = pl.col("state").is_not_null()
    return check.group_by("field").agg(
        *(pl.col(name).last() for name in names),
        soil_state=pl.col("state").filter(state).last(),
        soil_state_day=pl.col("day").filter(state).last(),
    )


def _with_reason(out: pl.DataFrame) -> pl.DataFrame:
    """Add coverage, ``partial`` and the reasons as text."""
    parts = {
        "no season's money of this field is known": pl.col("site_years") > 0,
        "fewer than three seasons' money, or no cost, on the whole farm": pl.col(
            "net_chance"
        ).is_not_null(),
        "part of the cost of the work is not known, so it is too low": ~pl.col("cost_partial"),
        "no compacted layer was measured": pl.col("compacted_top_cm").is_not_null(),
        "no working window is known": pl.col("window_days") > 0,
    }
    reason = joined(
        *(pl.when(~known).then(pl.lit(words)) for words, known in parts.items()),
        pl.when(~pl.col("fading") & pl.col("operation_day").is_not_null()).then(
            pl.lit("no fading was seen: what the last working gives goes on without a repeat")
        ),
    )
    return out.with_columns(
        coverage=pl.mean_horizontal(known.cast(pl.Float64) for known in parts.values()),
        reason=reason,
        outlook=pl.coalesce(
            by_chance(pl.col("net_chance"), pl.col("cost_partial"), PAYS), pl.lit(UNKNOWN)
        ),
    ).select(pl.exclude("fading", "cost_partial"), partial=pl.col("coverage") < 1)
