"""Write ``schemas/DICTIONARY.md`` from the declarations: ``python -m flows.store.dictionary``."""

from __future__ import annotations

from pathlib import Path

from schemas import dictionary

PATH = Path(dictionary.__file__).with_name("DICTIONARY.md")


def main() -> None:
    """Write the file."""
    PATH.write_text(dictionary.markdown(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
