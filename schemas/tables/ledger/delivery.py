"""An arrival."""

from schemas.table import Table, Tier, count, text, time

TABLE = Table(
    "delivery",
    Tier.RECEIPT,
    "one arrival of one file or one HTTP response",
    (
        text(
            "delivery",
            (
                "identity of the arrival: first 16 hex digits of its SHA-256, and where the same "
                "bytes came for two instruments a suffix"
            ),
            key=True,
        ),
        text("sha256", "SHA-256 of the bytes as they came", required=True),
        count("sequence", "place in the order of receipt, from 1", low=1, required=True),
        time("received_at", "when it was archived", required=True),
        text("source", "the source in farm.toml that it came by; null where none matched"),
        text(
            "name",
            "file name below the source's folder, or the URL without its secrets",
            required=True,
        ),
        text("station", "the station that it is of, where the source or the file name says so"),
        text("probe", "the probe that it is of, where the source or the file name says so"),
        text("layout", "the layout that it was read by"),
        text("setup", "fingerprint of the part of farm.toml that it was read by"),
        text(
            "continues",
            (
                "the earlier delivery whose bytes it begins with (a file that the logger appends "
                "to); only the rows after those were read"
            ),
        ),
        count("size_bytes", "size of the arrival"),
        text("state", "what became of it", required=True, one_of=("landed", "refused", "empty")),
        text(
            "reason",
            "why it was refused, or what should be known of it: columns it lacks, what a saved book changed",
        ),
        count("rows_in", "data rows read; always landed + quarantined + duplicate"),
        count("rows_landed", "rows of which at least one value landed"),
        count("rows_quarantined", "rows of which nothing could be accepted"),
        count("rows_duplicate", "rows that said nothing new"),
        count("values_in", "values read; always landed + quarantined + duplicate"),
        count("values_landed", "values that landed"),
        count("values_quarantined", "values that were refused"),
        count("values_duplicate", "values that were there already"),
        count("values_gone", "earlier values that the file no longer has, and that were kept"),
        count("values_contradicted", "values that another line of the file contradicts"),
        time("first_reading", "earliest accepted reading time"),
        time("last_reading", "latest accepted reading time"),
    ),
    checksum=False,
)
