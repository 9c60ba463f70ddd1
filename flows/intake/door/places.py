"""Which instrument and sensor a row is of, and whether it stood in its place then."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from flows.farm import farm_tables
from flows.farm.instrument_names import InstrumentNames, by_word
from schemas.farm.farm import Farm
from transforms.methods.calendar_day import day_of

DEPTH = "depth_cm"
NEAR_CM = 1.0  # a depth in a file is that of the nearest declared sensor, this far away at most
EARLY = timedelta(hours=24)  # how far ahead of its receipt a reading may lie: clocks and zones


@dataclass(frozen=True, slots=True)
class Places(InstrumentNames):
    """The set-up tables that say where everything stands, and the names behind the ids."""

    farm: pl.DataFrame
    station_spell: pl.DataFrame
    probe_spell: pl.DataFrame
    sensor: pl.DataFrame

    @classmethod
    def of(cls, farm: Farm) -> Places:
        """Return the places of a farm file."""
        tables = farm_tables.tables(farm)
        return cls(
            farm=tables["farm"],
            station_spell=tables["station_spell"],
            probe_spell=tables["probe_spell"],
            sensor=tables["sensor"],
            stations=by_word(farm.stations),
            probes=by_word(farm.probes),
        )


def with_one_instrument(frame: pl.DataFrame) -> pl.DataFrame:
    """Return rows whose instrument is named by several columns with their words joined by a space."""
    parts = [c for c in frame.columns if c == "instrument" or c.startswith("instrument_")]
    if len(parts) < 2:
        return frame
    words = [pl.col(c).str.strip_chars() for c in sorted(parts)]
    return frame.with_columns(instrument=pl.concat_str(words, separator=" ")).drop(
        part for part in parts if part != "instrument"
    )


def fill_instruments(frame: pl.DataFrame, places: Places) -> pl.DataFrame:
    """Fill ``station`` and ``probe`` from the file's own instrument columns, where it has any."""
    frame = with_one_instrument(frame)
    if "instrument" not in frame.columns:
        return frame
    word = pl.col("instrument").str.strip_chars().str.to_lowercase()
    return frame.with_columns(
        pl.coalesce(word.replace_strict(names, default=None, return_dtype=pl.String), kind).alias(
            kind
        )
        for kind, names in (("station", places.stations), ("probe", places.probes))
    )


def out_of_place(frame: pl.DataFrame, kind: str, places: Places) -> pl.Series | None:
    """Return which rows are of no known instrument or of one not in its place then; None for none.

    ``frame`` has ``station`` or ``probe`` (``kind``) and ``time``.
    """
    spells = (places.station_spell if kind == "station" else places.probe_spell).select(
        kind, "from_day", "to_day"
    )
    days = frame.select(kind, day=day_of(pl.col("time"), places.farm))
    each = distinct_rows(days)
    inside = (
        each.sort("day")
        .join_asof(
            spells.sort("from_day"),
            left_on="day",
            right_on="from_day",
            by=kind,
            strategy="backward",
            check_sortedness=False,
        )
        .filter(
            pl.col("from_day").is_not_null() & (pl.col("day") <= pl.col("to_day")).fill_null(True)
        )
    )
    if inside.height == each.height:
        return None
    found = days.join(
        inside.select(kind, "day", inside=pl.lit(True)),
        on=[kind, "day"],
        how="left",
        maintain_order="left",
    )
    return found["inside"].is_null()


def distinct_rows(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the different rows of a frame in which long runs are alike (days, instruments)."""
    differs = pl.any_horizontal(pl.all().ne_missing(pl.all().shift(1)))
    first = pl.int_range(pl.len()) == 0
    return frame.filter(first | differs).unique()


def spells_in_words(kind: str, name: str | None, places: Places) -> str:
    """Return the spells of an instrument as text, for the reason of a rejection."""
    spells = places.station_spell if kind == "station" else places.probe_spell
    rows = spells.filter(pl.col(kind) == name).select("from_day", "to_day").rows()
    words = [f"{start} to {end or 'now'}" for start, end in rows]
    return f"a time within {'; '.join(words)}" if words else f"a known {kind}"


class SensorFinder:
    """Finds the declared sensors of a frame's rows (``probe``, ``time``).

    A sensor outside its own from/to counts as none. Few probes and days are looked up, not every
    row.
    """

    def __init__(self, frame: pl.DataFrame, places: Places) -> None:
        self._sensors = places.sensor.select("probe", DEPTH, "sensor", "from_day", "to_day")
        dated = self._sensors.select(pl.col("from_day", "to_day").is_not_null().any()).row(0)
        keys = [pl.col("probe")]
        if any(dated):
            keys.append(day_of(pl.col("time"), places.farm).alias("day"))
        self._frame, self._keys = frame, frame.select(keys)
        self._each = distinct_rows(self._keys)

    def depth(self, by: str, word: pl.Expr) -> pl.Series:
        """Return the declared depth in cm of each row's sensor, null where there is none.

        ``by`` is ``depth`` or ``sensor``, ``word`` the depth in cm or the name, constant or a row;
        ``shallowest`` takes the shallowest sensor, whatever the word.
        """
        constant = not word.meta.root_names()
        if constant:
            keys, each = self._keys, self._each.with_columns(word.alias(by))
        else:
            keys = self._keys.with_columns(self._frame.select(word.alias(by)))
            each = distinct_rows(keys)
        found = _sensor_of(each, by, self._sensors)
        if constant and found[DEPTH].n_unique() == 1:
            return found[DEPTH].new_from_index(0, keys.height)
        if constant:
            found = found.drop(by)
        joined = keys.join(
            found, on=keys.columns, how="left", nulls_equal=True, maintain_order="left"
        )
        return joined[DEPTH]


def _sensor_of(each: pl.DataFrame, by: str, sensors: pl.DataFrame) -> pl.DataFrame:
    """``each`` (probe, depth or sensor, perhaps the day) with ``depth_cm``; one row each.

    Of the probe's sensors those of that name or near that depth that are valid that day, so that one
    that took another's place is found by either's days; of several the nearest.
    """
    keys = each.columns
    of_probe = each.join(
        sensors.rename({"sensor": "__name"}), on="probe", how="left", maintain_order="left"
    )
    if by == "sensor":
        fits = _folded("sensor") == _folded("__name")
        away = pl.lit(0.0)
    elif by == "shallowest":
        fits, away = pl.lit(True), pl.lit(0.0)
    else:
        away = (pl.col(DEPTH) - pl.col("depth")).abs()
        fits = away <= NEAR_CM
    if "day" in keys:
        fits &= (pl.col("day") >= pl.col("from_day")).fill_null(True)
        fits &= (pl.col("day") <= pl.col("to_day")).fill_null(True)
    return (
        of_probe.with_columns(pl.when(fits).then(pl.col(DEPTH)).alias(DEPTH), away=away)
        .sort(pl.col(DEPTH).is_null(), "away", DEPTH, nulls_last=True)
        .unique(keys, keep="first", maintain_order=True)
        .select(*keys, DEPTH)
    )


def _folded(column: str) -> pl.Expr:
    return pl.col(column).str.strip_chars().str.to_lowercase()
