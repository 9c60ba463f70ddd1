import errno
import os
import time

import duckdb
import pytest

from flows.base import files
from flows.base.errors import of_the_disk
from tests.faults.disk import Disk
from tests.flows.loggers import drop, make, take, usual


def test_what_a_killed_process_left_half_written_is_removed_in_time(tmp_path):
    old, new = tmp_path / ".a.json.12.part", tmp_path / ".b.json.13.part"
    for path in (old, new):
        path.write_text("{")
    hours_ago = time.time() - 2 * files.LEFTOVER_S
    os.utime(old, (hours_ago, hours_ago))
    files.write_text(tmp_path / "a.json", "{}")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".b.json.13.part", "a.json"]


def test_a_file_that_cannot_be_read_keeps_no_other_from_being_taken(tmp_path):
    folder = make(tmp_path / "farm")
    for name, hour in (("a.csv", 1), ("b.csv", 2)):
        drop(folder, name, [usual(hour)])

    def spoilt(call):
        if call.what == "read" and call.path.endswith("a.csv"):
            reads.append(call)
            if (
                len(reads) >= 2
            ):  # the look finds that it opens, whoever reads it then that it does not
                raise OSError(errno.EIO, "Input/output error", call.path)

    reads = []
    with Disk(folder.root, spoilt):
        done = take(folder)
    assert done.deliveries == 1
    assert "drop/a.csv cannot be read; it is tried again." in done.notes
    assert take(folder).deliveries == 1


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(errno.ENOSPC, "No space left on device", "/farm/a"), "The disk is full"),
        (
            OSError(errno.EIO, "Input/output error", "/farm/a"),
            "/farm/a could not be read or written",
        ),
        (duckdb.IOException("IO Error: Could not write file"), "The warehouse could not be read"),
        (duckdb.TransactionException("Failed to commit: Could not write file"), "The warehouse"),
    ],
)
def test_what_the_disk_refuses_is_told_in_sentences(error, told):
    assert told in str(of_the_disk(error))
    assert of_the_disk(ValueError("x")) is None
