"""The wheel is whole: built, installed into another folder, it runs without the checkout."""

import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from schemas.catalogue import TABLES
from tests.flows.pages import farm

ROOT = Path(__file__).parents[1]
PACKAGES = ("flows", "schemas", "transforms", "demo_warehouse")
WHERE = "import importlib, sys; [print(importlib.import_module(n).__file__) for n in sys.argv[1:]]"
COMMAND = "from flows.cli import main; main()"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build in a copy, so that nothing is left in the checkout and nothing left there gets in."""
    folder = tmp_path_factory.mktemp("wheel")
    for name in PACKAGES:
        ignore = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / name, folder / "source" / name, ignore=ignore)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder / "source")
    pip("wheel", "--no-build-isolation", "--wheel-dir", folder, folder / "source")
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path) -> Path:
    target = wheel.parent / "installed"
    pip("install", "--target", target, wheel)
    return target


def pip(command: str, *arguments: str | Path) -> None:
    quiet = ("--quiet", "--disable-pip-version-check", "--no-deps", "--no-index")
    subprocess.run([sys.executable, "-m", "pip", command, *quiet, *arguments], check=True)


def run(installed: Path, program: str, *arguments: str | Path) -> str:
    """Run a program that sees the installed wheel and the libraries only.

    Without `site` (-S) the checkout's editable install is not found, nor is the current folder (-P).
    """
    libraries = {sysconfig.get_path(kind) for kind in ("purelib", "platlib")}
    found = subprocess.run(
        [sys.executable, "-S", "-P", "-c", program, *arguments],
        cwd=installed.parent,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(installed), *libraries])},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert found.returncode == 0, found.stderr
    return found.stdout


def test_it_has_every_file_of_the_packages(wheel: Path) -> None:
    source = wheel.parent / "source"
    tree = {
        path.relative_to(source).as_posix()
        for name in PACKAGES
        for path in (source / name).rglob("*")
        if path.is_file()
    }
    packed = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    assert packed == tree


def test_it_runs_from_where_it_is_installed(installed: Path) -> None:
    files = run(installed, WHERE, *PACKAGES).splitlines()
    assert [Path(file).parent for file in files] == [installed / name for name in PACKAGES]


def test_new_makes_a_farm(installed: Path, tmp_path: Path) -> None:
    run(installed, COMMAND, "new", tmp_path / "farm")
    assert (tmp_path / "farm" / "farm.toml").is_file()


def test_tables_and_digest_read_a_published_farm(installed: Path, tmp_path: Path) -> None:
    folder = farm.publish_small_farm(tmp_path)
    listed = run(installed, COMMAND, "tables", folder.root)
    assert all(f" {name} " in listed for name in TABLES)
    preview = run(
        installed, COMMAND, "digest", folder.root, "--week", farm.WEEK_IN_SEASON, "--preview"
    )
    assert "Invented Farm" in preview
