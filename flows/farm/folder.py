"""The farm folder: where everything of one farm lives."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from flows.base import files
from flows.base.errors import UserError
from flows.farm.bounds import Bounds

# As long as a path below a farm folder gets: a hash, and a name that a library gives.
_BELOW = 140


@dataclass(frozen=True, slots=True)
class FarmFolder:
    """The paths of one farm. Nothing is created by asking for a path; ``make`` does that."""

    root: Path

    @classmethod
    def at(cls, root: Path) -> FarmFolder:
        """Return the farm folder at ``root``.

        Raises UserError if there is none, or if it is hosted and has links that lead out of it.
        """
        folder = cls(files.deep(root.expanduser().resolve(), _BELOW))
        if not folder.root.is_dir():
            raise UserError(
                f"There is no folder {folder.root}. Make one with: checkstrip new {root}"
            )
        if not folder.farm_toml.is_file():
            raise UserError(
                f"{folder.root} is not a farm folder: it has no farm.toml. "
                "Name the folder that holds farm.toml, or make a new one with: checkstrip new FOLDER"
            )
        Bounds.of(folder.root).refuse_links()
        return folder

    @property
    def farm_toml(self) -> Path:
        """Stations, probes, layouts, sources, units, places, schedules, mail."""
        return self.root / "farm.toml"

    @property
    def fieldbook_file(self) -> Path:
        """The field book as a workbook."""
        return self.root / "fieldbook.xlsx"

    @property
    def fieldbook_dir(self) -> Path:
        """The field book as a folder of CSV files."""
        return self.root / "fieldbook"

    @property
    def yield_maps(self) -> Path:
        """Yield-map exports and the strips' outlines."""
        return self.root / "yieldmaps"

    @property
    def ground(self) -> Path:
        """Maps of the ground under the strips: elevation, soil."""
        return self.root / "ground"

    @property
    def images(self) -> Path:
        """Vegetation images, in folders by where they are from."""
        return self.root / "images"

    @property
    def plans(self) -> Path:
        """Plans of strips, with the lot that drew their sides."""
        return self.root / "plans"

    @property
    def drop(self) -> Path:
        """Where instrument files arrive."""
        return self.root / "drop"

    @property
    def normals(self) -> Path:
        """A long daily record, or a monthly table of normals."""
        return self.root / "normals"

    @property
    def archive(self) -> Path:
        """Every delivery as it came."""
        return self.root / "archive"

    @property
    def warehouse(self) -> Path:
        """The folder of the writer's database."""
        return self.root / "warehouse"

    @property
    def warehouse_file(self) -> Path:
        """The writer's database; nobody else opens it."""
        return self.warehouse / "checkstrip.duckdb"

    @property
    def published(self) -> Path:
        """The folder of the copies that others open."""
        return self.warehouse / "published"

    @property
    def published_file(self) -> Path:
        """The copy under its fixed name (see flows/store/publish.py for the numbered ones)."""
        return self.published / "checkstrip.duckdb"

    @property
    def digests(self) -> Path:
        """Weekly digests as sent."""
        return self.root / "digests"

    @property
    def reports(self) -> Path:
        """Reports as asked for."""
        return self.root / "reports"

    @property
    def forms(self) -> Path:
        """Forms to fill in, as asked for."""
        return self.root / "forms"

    @property
    def audit(self) -> Path:
        """A local page a nightly audit."""
        return self.root / "audit"

    @property
    def backups(self) -> Path:
        """Backups, unless farm.toml names another folder."""
        return self.root / "backups"

    @property
    def state(self) -> Path:
        """What the program keeps for itself: locks, logs, the scheduler's database."""
        return self.root / "state"

    @property
    def lock_file(self) -> Path:
        """Held (by the operating system) by the process that writes the warehouse."""
        return self.state / "writer.lock"

    @property
    def run_lock_file(self) -> Path:
        """Held by the one ``checkstrip run`` that stays up."""
        return self.state / "run.lock"

    @property
    def logs(self) -> Path:
        """Log files."""
        return self.state / "logs"

    def make(self) -> None:
        """Make the folders that the program writes to.

        What is kept is for its own user; others may pass through to the published copy.
        """
        self.drop.mkdir(parents=True, exist_ok=True)
        for path in (self.archive, self.state):
            files.make_folder_for(path, 0o700)
        files.make_folder_for(self.warehouse, 0o711)
        files.make_folder_for(self.published, 0o755)
