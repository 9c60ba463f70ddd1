"""The field book of a demo that runs on past the years of its files, or ends within them.

Later seasons repeat the rotation on record, with its prices; what lies after the demo's last day is not
written yet: a season in progress has no harvest.
"""

import io
from datetime import date

import polars as pl

from demo_warehouse.simulator.plan import LAST, ROTATION, Plan

# Columns that say when a row was written, the first that a sheet has counts.
WRITTEN = ("day", "seeded", "out")
# Columns that are empty until their day.
OPEN_UNTIL = ("harvested", "in")
# The month from which the next year's crops are planned, what the grower expects of each without the
# practice, and where it is decided already. Invented.
PLANNED_IN = 11
YIELD_BU_AC = {
    "spring wheat": 45,
    "winter wheat": 55,
    "durum": 40,
    "barley": 65,
    "canola": 35,
    "pea": 38,
    "lentil": 25,
    "flax": 24,
}
WORK_BEFORE = {"Gumbo": "no"}


def carried_on(sheets: dict[str, str], plan: Plan) -> dict[str, str]:
    """Return the sheets with the rows of the plan's later years: seasons, prices, probes lifted."""
    added: dict[str, list[dict[str, object]]] = {
        "seasons.csv": [],
        "prices.csv": [],
        "lifts.csv": [],
    }
    for field, seasons in plan.seasons.items():
        added["seasons.csv"] += [
            {
                "field": field,
                "season": season.harvested.year,
                "crop": season.crop,
                "seeded": season.seeded,
                "harvested": season.harvested,
            }
            for season in seasons
            if season.harvested > LAST
        ]
    prices = _read(sheets["prices.csv"]).to_dicts()
    for year in sorted({s.harvested.year for some in plan.seasons.values() for s in some}):
        if year <= LAST.year:
            continue
        turns = -(-(year - LAST.year) // ROTATION)
        old = str(year - turns * ROTATION)
        added["prices.csv"] += [
            row | {"season": year, "notes": None} for row in prices if row["season"] == old
        ]
    added["lifts.csv"] = [
        {"probe": lift.probe, "out": lift.out, "in": lift.back} for lift in plan.lifts
    ]
    return sheets | {
        name: _with_rows(sheets.get(name, "probe,out,in\n"), rows)
        for name, rows in added.items()
        if rows
    }


def plans(prices: str, plan: Plan, on: date) -> dict[str, str]:
    """Return the sheet of planned crops as it stands on a day: none before the plans are made.

    Each field's next crop is that of the rotation, at the crop's latest price.
    """
    if on.month < PLANNED_IN:
        return {}
    year = on.year + 1
    old = year - ROTATION * -(-(year - LAST.year) // ROTATION)
    latest = {row["crop"]: row for row in _read(prices).sort("season").to_dicts()}
    rows = [
        {"field": field, "season": year, "crop": season.crop, "work before": WORK_BEFORE.get(field)}
        | {"yield (bu/ac)": YIELD_BU_AC[season.crop]}
        | {name: latest[season.crop][name] for name in ("price", "unit", "low price", "high price")}
        for field, seasons in plan.seasons.items()
        for season in seasons
        if season.harvested.year == old
    ]
    heads = "field,season,crop,yield (bu/ac),price,unit,low price,high price,work before\n"
    return {"plans.csv": _with_rows(heads, rows)}


def up_to(text: str, on: date) -> str:
    """Return a sheet as it stood at the end of ``on``."""
    rows = _read(text)
    written = next((name for name in WRITTEN if name in rows.columns), None)
    if written is not None:
        rows = rows.filter(_day(written) <= on)
    elif "season" in rows.columns:
        rows = rows.filter(pl.col("season").cast(pl.Int64) <= on.year)
    return rows.with_columns(
        pl.when(_day(name) <= on).then(name) for name in OPEN_UNTIL if name in rows.columns
    ).write_csv()


def _day(column: str) -> pl.Expr:
    forms = ("%Y-%m-%d", "%b %d, %Y")
    return pl.coalesce(pl.col(column).str.to_date(form, strict=False) for form in forms)


def _read(text: str) -> pl.DataFrame:
    return pl.read_csv(io.StringIO(text), infer_schema=False)


def _with_rows(text: str, rows: list[dict[str, object]]) -> str:
    columns = _read(text).columns
    texts = [
        {name: None if row.get(name) is None else str(row[name]) for name in columns}
        for row in rows
    ]
    more = pl.DataFrame(texts, schema=dict.fromkeys(columns, pl.String))
    return text.rstrip("\r\n") + "\n" + more.write_csv(include_header=False)
