import os
import time

from flows import files


def test_what_a_killed_process_left_half_written_is_removed_in_time(tmp_path):
    old, new = tmp_path / ".a.json.12.part", tmp_path / ".b.json.13.part"
    for path in (old, new):
        path.write_text("{")
    hours_ago = time.time() - 2 * files.LITTER_S
    os.utime(old, (hours_ago, hours_ago))
    files.write_text(tmp_path / "a.json", "{}")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".b.json.13.part", "a.json"]
