"""The comparisons of fields with more than two strips, as a formula for two strips sees them.

A formula knows fields with the strips treated and check. A field with more strips is given to it one
comparison at a time (``alone``), or all at once, each as a field of its own by the comparison's name
(``together``). Fields with two strips pass as they are.
"""

from collections.abc import Iterator

import polars as pl

from schemas import compared
from schemas.table import Compared, Table

BOTH = "both"  # what the book writes for all strips of a field
CHECK, TREATED = "check", "treated"
OWN = "own_"


def several(comparison: pl.DataFrame) -> pl.DataFrame:
    """Return the comparisons of fields with more than two strips, or with strips of other names."""
    return comparison.filter(pl.col("name") != pl.col("field"))


def parts(comparison: pl.DataFrame, table: Table) -> Iterator[pl.DataFrame]:
    """Yield what to give a table's formula at a time: comparisons of ``several`` fields.

    All at once under their names, or the first of each field, the second and so on under the
    field's name.
    """
    more = several(comparison)
    if table.compared is not Compared.ALONE:
        yield more
        return
    place = pl.int_range(pl.len()).over("field")
    numbered = more.with_columns(name=pl.col("field"), _place=place)
    yield numbered.filter(pl.col("_place") == 0).drop("_place")
    for _, group in numbered.filter(pl.col("_place") > 0).group_by("_place", maintain_order=True):
        yield group.drop("_place")


def seen(
    frame: pl.DataFrame, table: Table, part: pl.DataFrame, *, only: bool = False
) -> pl.DataFrame:
    """Return a stored table's rows as a formula sees them: ``strip`` is treated or check.

    ``part``: comparisons, as ``parts`` yields them. ``only``: without the fields that are not in it. Work
    that both strips of a comparison had in one year is left out where the strip compared with was
    worked itself: it is not what is compared. The practice is the comparison's. Of columns those that
    the frame has.
    """
    columns = [name for name in compared.as_made(table).names if name in frame.columns]
    if "field" not in columns:
        return frame
    in_part = pl.col("field").is_in(part["field"].unique().to_list()).fill_null(False)
    plain = frame.filter(~in_part & (pl.col("field").is_null() if only else pl.lit(True)))
    if part.is_empty():
        return plain.select(columns)
    rows = _by_side(frame.filter(in_part), table, part)
    if "practice" in columns and table.compared is None:
        rows = rows.with_columns(
            practice=pl.when(
                (pl.col("practice") == pl.col("_worked_with")) | pl.lit(table.name == "field")
            )
            .then("_practice")
            .otherwise("practice")
        )
        if {"strip", "day"} <= set(columns):
            done = ["field", "practice", pl.col("day").dt.year()]
            shared = pl.col("_repeat") & (pl.col("strip").n_unique().over(done) > 1)
            rows = rows.filter(~shared)
    return pl.concat([plain.select(columns), rows.select(columns)]).sort(
        [name for name in table.key if name in columns], maintain_order=True
    )


def _by_side(rows: pl.DataFrame, table: Table, part: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of each comparison under its name, with its practices."""
    names = part.select(
        "field",
        "name",
        _practice="practice",
        _worked_with="worked_with",
        _repeat=pl.col("against_role") == TREATED,
    )
    sides = sides_of(part)
    if table.compared is not None:
        if not compared.has_sides(table):
            sides = sides.filter(pl.col("_side") == TREATED)
        on = ["field", "strip", "against"]
        found = rows.join(sides, on=on, maintain_order="left_right")
    elif "strip" in rows.columns:
        all_strips = (pl.col("strip") == BOTH).fill_null(True)
        named = part.select("field", "name").with_columns(_side=pl.lit(None, pl.String))
        found = pl.concat(
            [
                rows.filter(~all_strips).join(
                    sides.drop("against"), on=["field", "strip"], maintain_order="left_right"
                ),
                rows.filter(all_strips)
                .join(named, on="field", maintain_order="left_right")
                .with_columns(_side="strip"),
            ]
        )
    else:
        found = rows.join(
            part.select("field", "name"), on="field", maintain_order="left_right"
        ).with_columns(_side=pl.lit(None, pl.String))
    found = found.join(names, on=["field", "name"], maintain_order="left")
    return found.with_columns(
        field="name", **({"strip": pl.col("_side")} if "strip" in rows.columns else {})
    )


def shown(frame: pl.DataFrame, table: Table, part: pl.DataFrame) -> pl.DataFrame:
    """Return a stored table's rows as pages show them: a comparison stands as a field of two strips.

    A row's own field and strips are kept beside (``OWN`` before the column's name), to find it again.
    """
    names = [name for name in ("field", "strip", "against") if name in frame.columns]
    own = frame.with_columns(pl.col(names).name.prefix(OWN))
    in_part = pl.col("field").is_in(part["field"].unique().to_list()).fill_null(False)
    rows = _by_side(own.filter(in_part), table, part)
    if table.compared is not None:
        side = pl.col("_side") if compared.has_sides(table) else pl.lit(TREATED)
        rows = rows.with_columns(strip=side, against=_other(side))
    if table.name == "field":
        rows = rows.with_columns(practice="_practice")
    return pl.concat([own.filter(~in_part), rows.select(own.columns)])


def _other(side: pl.Expr) -> pl.Expr:
    return pl.when(side == TREATED).then(pl.lit(CHECK)).otherwise(pl.lit(TREATED))


def sides_of(part: pl.DataFrame) -> pl.DataFrame:
    """Return the two strips of each comparison: field, name, strip, against and ``_side``."""
    treated = part.select("field", "name", "strip", "against", _side=pl.lit(TREATED))
    check = part.select(
        "field", "name", strip="against", against="strip", _side=pl.lit(CHECK)
    ).select(treated.columns)
    return pl.concat([treated, check])


def stored(rows: pl.DataFrame, table: Table, part: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that a compared table's formula made with the strips' own names."""
    if table.compared is None:
        return rows
    by_strip = compared.has_sides(table)
    side = pl.col("strip") if by_strip else pl.lit(TREATED)
    rows = rows.with_columns(_side=side).join(
        sides_of(part).select(
            "_side", _field="field", field="name", _strip="strip", _against="against"
        ),
        on=["field", "_side"],
        how="left",
        maintain_order="left",
    )
    return rows.with_columns(
        field=pl.coalesce("_field", "field"),
        strip=pl.coalesce("_strip", "_side"),
        against=pl.coalesce("_against", _other(pl.col("_side"))),
    ).select(table.names)


def each_strip(rows: pl.DataFrame, comparison: pl.DataFrame) -> pl.DataFrame:
    """Return rows of fields once for each strip of their field, in a column ``strip``.

    A field without a comparison has the strips treated and check.
    """
    strips = pl.concat(
        [comparison.select("field", "strip"), comparison.select("field", strip="against")]
    ).unique(maintain_order=True)
    known = rows.join(strips, on="field", maintain_order="left_right")
    usual = pl.DataFrame({"strip": [TREATED, CHECK]})
    return pl.concat([rows.join(strips, on="field", how="anti").join(usual, how="cross"), known])
