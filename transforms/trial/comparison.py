"""comparison: which strips of each field are compared, from the sheets fields and strips."""

import polars as pl

from schemas import generated
from schemas.tables.trial.comparison import TABLE
from transforms.methods.comparisons import CHECK, TREATED

BETWEEN = ";"  # of several strips in one cell


def derive(field: pl.DataFrame, strip: pl.DataFrame) -> pl.DataFrame:
    """Compare each treated strip with the strips it names, else with the only check of its field.

    A field whose strips are treated and check, or that has none on the sheet, is one comparison under
    the field's name. Others are named by both strips. A strip compared with one that was worked itself
    (worked again beside worked once) is a question of its own, so its practice gets a name of its own.
    A treated strip that names no other, in a field with several checks or none, is not compared: the
    field book's problems list it.
    """
    own = strip.join(
        field.select("field", _of_field="practice"), on="field", maintain_order="left"
    ).with_columns(
        role=pl.coalesce(
            "role",
            pl.when(pl.col("strip") == CHECK).then(pl.lit(CHECK)).otherwise(pl.lit(TREATED)),
        )
    )
    roles = own.select("field", against="strip", against_role="role")
    checks = roles.filter(pl.col("against_role") == CHECK)
    only = checks.filter(pl.len().over("field") == 1).select("field", _only="against")
    usual = ~(~pl.col("strip").is_in([TREATED, CHECK])).any().over("field")
    pairs = (
        own.filter(~usual & (pl.col("role") == TREATED))
        .join(only, on="field", how="left", maintain_order="left")
        .with_columns(
            against=pl.coalesce(pl.col("against"), "_only").str.split(BETWEEN),
        )
        .explode("against")
        .with_columns(pl.col("against").str.strip_chars())
        .filter(pl.col("against") != pl.col("strip"))
        .join(roles, on=["field", "against"], maintain_order="left")
    )
    base = pl.coalesce("practice", "_of_field")
    repeat = pl.col("against_role") == TREATED
    more = pairs.select(
        "field",
        "strip",
        "against",
        name=pl.format("{} ({} against {})", "field", "strip", "against"),
        practice=pl.when(repeat)
        .then(pl.format("{} ({} against {})", base, "strip", "against"))
        .otherwise(base),
        worked_with=base,
        against_role="against_role",
    )
    two = field.join(own.filter(~usual), on="field", how="anti").select(
        "field",
        strip=pl.lit(TREATED),
        against=pl.lit(CHECK),
        name="field",
        practice="practice",
        worked_with="practice",
        against_role=pl.lit(CHECK),
    )
    return generated.conform(pl.concat([two, more]).unique(TABLE.key), TABLE).sort(TABLE.key)
