"""What share of published headings ``sniff`` reads right: prints a table for FIGURES.md.

The headings are those of ``tests/flows/setup/sniff/held_out_headings.csv``, of networks and services
that are not in the program's own table. Run with: python -m tests.bench.bench_headings
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import polars as pl

from flows.setup.sniff import headings

HELD_OUT = Path(__file__).parents[1] / "flows/setup/sniff/held_out_headings.csv"
WORDS = ("right", "asked", "wrong")


def outcome(name: str, truth: str | None) -> str:
    """``right``, ``asked`` (left out, with a question of its own) or ``wrong``."""
    says = headings.heading(name)
    found = says.quantity
    found = "solar_radiation" if found == "solar_energy" else found
    if found == truth:
        return "right"
    return "asked" if found is None or says.weak else "wrong"


def held_out() -> pl.DataFrame:
    """The held-out headings with what each is; those that the program's own table has are left out."""
    rows = pl.read_csv(HELD_OUT)
    known = [headings.is_published(name) for name in rows["heading"].to_list()]
    return rows.filter(~pl.Series(known))


def main() -> None:
    """Print the shares by source, and every heading that is not read right."""
    total: Counter[str] = Counter()
    rows = held_out()
    print("| headings of | " + " | ".join(WORDS) + " |\n| --- |" + " ---: |" * len(WORDS))
    for (source,), of in rows.group_by("source", maintain_order=True):
        counts: Counter[str] = Counter()
        for name, truth in of.select("heading", "quantity").iter_rows():
            counts[word := outcome(name, truth)] += 1
            if word != "right":
                print(f"<!-- {word}: {name}: {headings.heading(name).quantity} for {truth} -->")
        total += counts
        print(f"| {source} | " + " | ".join(str(counts[word]) for word in WORDS) + " |")
    shares = " | ".join(f"{total[word]} ({total[word] / rows.height:.0%})" for word in WORDS)
    print(f"| all {rows.height} | {shares} |")


if __name__ == "__main__":
    main()
