"""The count of a window of deliveries: rows and values in = landed + quarantined + duplicate."""

from __future__ import annotations

import duckdb
import polars as pl

from flows.intake import exported_again
from flows.intake.contradictions import Contradictory
from flows.intake.door.admit import Admitted
from flows.intake.door.places import distinct_rows
from flows.intake.door.two_rows import TWO_ROWS
from flows.intake.incoming import Incoming, quarantine_rows, receipt_row
from flows.intake.merge import Merged
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.quantities import Instrument

ROW = pl.col("seq") * (1 << 34) + pl.col("line")  # one number for a row: faster than two columns


class LandingCounts:
    """Counts of a window, and the writing of its receipts and rejections."""

    def __init__(self, deliveries: dict[int, Incoming]) -> None:
        self.deliveries = deliveries
        self.instruments: set[tuple[int, str, str]] = set()
        self.earlier = pl.DataFrame(schema=exported_again.EARLIER)
        self.names = pl.DataFrame(
            [(seq, r.receipt.delivery) for seq, r in deliveries.items()],
            schema={"seq": pl.Int64, "delivery": pl.String},
            orient="row",
        )

    def find_earlier(self, con: duckdb.DuckDBPyConnection) -> None:
        """Find the deliveries that came before under the name of a file that is no longer one."""
        self.earlier = exported_again.earlier_deliveries(
            con,
            (
                (seq, delivery.match.source.name, delivery.receipt.name)
                for seq, delivery in self.deliveries.items()
                if delivery.match
                and delivery.receipt.kind == "file"
                and not delivery.receipt.continues
            ),
        )

    def note_gone(
        self, con: duckdb.DuckDBPyConnection, kind: Instrument, new: pl.DataFrame
    ) -> None:
        """Count the values that a file which came again no longer has, before it is merged."""
        if self.earlier.is_empty():
            return
        for seq, gone in exported_again.count_gone(con, kind, new, self.earlier).iter_rows():
            self.deliveries[seq].count("gone", gone)

    def note_times(self, new: pl.DataFrame) -> None:
        """Note the span of accepted reading times, and of which instruments they are."""
        kind = "probe" if "probe" in new.columns else "station"
        for seq, name in distinct_rows(new.select("seq", kind)).iter_rows():
            self.instruments.add((seq, kind, name))
        spans = new.group_by("seq").agg(
            pl.col("time").min().alias("lo"), pl.col("time").max().alias("hi")
        )
        for seq, low, high in spans.select("seq", "lo", "hi").iter_rows():
            delivery = self.deliveries[seq]
            delivery.first = low if delivery.first is None else min(low, delivery.first)
            delivery.last = high if delivery.last is None else max(high, delivery.last)

    def count_part(self, parts: list[Admitted], merged: list[Merged]) -> None:
        """Take in a part: every row that came, what was rejected, what was merged."""
        rows = pl.concat(part.rows for part in parts)
        rejected = pl.concat(part.rejected for part in parts)
        if all(part.whole for part in parts) and all(m.whole for m in merged):
            fate = rows.with_columns(landed=pl.lit(True))
        else:
            landed = pl.concat(
                [m.rows.select(ROW.alias("row"), "landed") for m in merged]
                or [pl.DataFrame(schema={"row": pl.Int64, "landed": pl.Boolean})]
            )
            landed = landed.group_by("row").agg(pl.col("landed").any())
            fate = rows.with_columns(ROW.alias("row")).join(landed, on="row", how="left")
        by_row = fate.group_by("seq").agg(
            rows_in=pl.len(),
            rows_landed=pl.col("landed").sum(),
            rows_duplicate=(~pl.col("landed")).sum(),
            rows_quarantined=pl.col("landed").is_null().sum(),
            values_in=pl.col("values").sum(),
        )
        by_value = [
            rejected.group_by("seq").agg(values_quarantined=pl.col("values").sum()),
            rejected.filter(cause=TWO_ROWS)
            .group_by("seq")
            .agg(two_rows_values=pl.col("values").sum(), two_rows_times=pl.len()),
            *(
                m.contradicted.rename(
                    {"values": "contradicted_values", "times": "contradicted_times"}
                )
                for m in merged
            ),
            *(
                m.values.rename({"landed": "values_landed", "duplicate": "values_duplicate"})
                for m in merged
            ),
        ]
        for frame in (by_row, *by_value):
            for row in frame.iter_rows(named=True):
                for name, number in row.items():
                    if name != "seq":
                        self.deliveries[row["seq"]].count(name, int(number))
        for (seq,), part in rejected.group_by("seq"):
            self.deliveries[int(seq)].keep_rejections(part.sort("line"))
        for seq, last in rows.group_by("seq").agg(pl.col("line").max()).iter_rows():
            self.deliveries[seq].drop_text(last)

    def check_contradictions(self) -> None:
        """Raise Contradictory if too many of a delivery's values contradict another line of it."""
        counts = {seq: delivery.contradicted for seq, delivery in self.deliveries.items()}
        found = {seq: counted for seq, counted in counts.items() if counted.is_too_much}
        if found:
            raise Contradictory(found)

    def write(self, con: duckdb.DuckDBPyConnection) -> None:
        """Write the receipts and the rejections."""
        warehouse.append(con, TABLES["delivery"], self._receipts())
        schema = generated.polars_schema(TABLES["delivery_instrument"])
        frame = pl.DataFrame(sorted(self.instruments), schema=schema, orient="row")
        warehouse.append(con, TABLES["delivery_instrument"], frame)
        rejections = [
            entry for delivery in self.deliveries.values() for entry in quarantine_rows(delivery)
        ]
        if rejections:
            table = TABLES["quarantine"]
            frame = pl.DataFrame(rejections, infer_schema_length=None).unique(
                table.key, keep="first"
            )
            warehouse.append(con, table, generated.conform(frame.sort("delivery", "line"), table))

    def _receipts(self) -> pl.DataFrame:
        table = TABLES["delivery"]
        rows = [receipt_row(delivery) for delivery in self.deliveries.values()]
        return generated.conform(
            pl.DataFrame(
                rows, schema_overrides=generated.polars_schema(table), infer_schema_length=None
            ),
            table,
        )
