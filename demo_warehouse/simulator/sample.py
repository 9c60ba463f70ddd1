"""The small sample of files that the repository keeps: the beginnings of some of the demo's files.

``python -m demo_warehouse.simulator.sample FOLDER`` cuts them from a folder that ``lay_out`` made.
"""

import sys
from pathlib import Path

from demo_warehouse.simulator.plan import ROOM

LINES = 120
PICKED = {
    "drop/windbreak/utc/WB-T_2020-10.csv": "utf-8",
    "drop/windbreak/station/WB-T_2021-06.csv": "utf-8",
    "drop/windbreak/station/WB-T_2023-06.csv": "utf-8",
    "drop/windbreak/probe/WB-TP_2021-06.csv": "utf-8",
    "drop/coulee/station/CO-T_2022-W20.csv": "cp1252",
    "drop/coulee/probe/CO-TP_2022-06.csv": "cp1252",
    "drop/stonepile/hourly/ST-T_2021.csv": "utf-8",
    "drop/stonepile/hourly/ST-TP_2021.csv": "utf-8",
    "drop/stonepile/quarter/ST-T_2025.csv": "utf-8",
    "drop/stonepile/quarter/ST-TP_2025.csv": "utf-8",
    "drop/gumbo/GU-T_202106.txt": "utf-16",
    "drop/gumbo/GU-TP_202106.txt": "utf-16",
    "normals/longrecord_1991_2020.csv": "utf-8",
}


def cut(content: bytes, encoding: str) -> bytes:
    """The first lines of a file, in its own encoding."""
    if encoding != "utf-16":
        return b"".join(content.splitlines(keepends=True)[:LINES])
    return "".join(content.decode(encoding).splitlines(keepends=True)[:LINES]).encode(encoding)


def keep(folder: Path) -> None:
    """Cut the sample from a laid-out folder into the room."""
    for name, encoding in PICKED.items():
        target = ROOM / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(cut((folder / name).read_bytes(), encoding))
    for sheet in ("passes", "harvest", "penetrometer"):
        text = (folder / "fieldbook" / f"{sheet}.csv").read_bytes()
        (ROOM / "fieldbook" / f"{sheet}.csv").write_bytes(text)


if __name__ == "__main__":
    keep(Path(sys.argv[1]))
