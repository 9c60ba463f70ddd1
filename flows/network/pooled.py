"""The pooled answers of a snapshot: all farms' shared rows, as the formula for many farms sees them."""

from __future__ import annotations

import inspect
from collections.abc import Mapping

import polars as pl

from schemas import generated
from schemas.catalogue import NETWORK, TABLES
from transforms.methods import comparisons
from transforms.trial import network_pooled


def answers(frames: Mapping[str, pl.DataFrame], farms: pl.DataFrame) -> pl.DataFrame:
    """Return ``network_pooled`` of shared tables by name and the farms that are in them (network_farm)."""
    rows = {name: _by_farm(frame, name) for name, frame in frames.items()}
    comparison = rows.pop("comparison")
    part = comparisons.several(comparison)
    seen = {name: comparisons.seen(frame, TABLES[name], part) for name, frame in rows.items()}
    wanted = inspect.signature(network_pooled.derive).parameters
    given = {name: frame for name, frame in seen.items() if name in wanted}
    fields = frames["field"].select("farm", "field").join(farms, on="farm")
    known = fields.select(
        "farm",
        "currency",
        field=_one_name("field"),
        known=pl.col("share") == "named",
    )
    found = network_pooled.derive(network_farm=known, comparison=comparison, **given)
    return generated.conform(found, NETWORK["network_pooled"])


def _by_farm(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return rows of all farms as of one farm: fields under names that no two farms share."""
    names = [column for column in ("field", "name") if column in frame.columns]
    named = frame.with_columns(_one_name(column) for column in names).drop("farm")
    return generated.conform(named, TABLES[name])


def _one_name(column: str) -> pl.Expr:
    return pl.concat_str(["farm", column], separator="/").alias(column)
