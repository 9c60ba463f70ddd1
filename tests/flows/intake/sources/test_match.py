"""Names of files as macOS gives them: a letter and its accent are two characters (NFD)."""

from pathlib import Path
from unicodedata import normalize

import pytest

from flows.intake import collect
from tests.flows.loggers import FARM, ask, drop, make, usual

NAME = "Prés 中 Élan"  # letters with and without an accent


@pytest.mark.parametrize("of_file", ["NFC", "NFD"])
@pytest.mark.parametrize("of_farm", ["NFC", "NFD"])
@pytest.mark.parametrize("glob", ["né {station}.csv", "né/**/{station}.csv"])
def test_a_name_is_the_same_however_its_letters_are_made(
    tmp_path: Path, of_file: str, of_farm: str, glob: str
) -> None:
    toml = FARM.replace('"west"', f'"{NAME}"').replace('glob = "*.csv"', f'glob = "{glob}"')
    toml = toml.replace(f'station = "{NAME}"\n', "")
    folder = make(tmp_path / "farm", normalize(of_farm, toml))
    name = "né/2020/{}.csv" if "/" in glob else "né {}.csv"
    (folder.drop / normalize(of_file, "né/2020")).mkdir(parents=True)
    drop(folder, normalize(of_file, name.format(NAME.upper())), [usual(1), usual(2)])
    assert not collect.collect(folder).wants_attention
    assert ask(folder, "SELECT DISTINCT station FROM weather_reading") == [
        (normalize(of_farm, NAME),)
    ]


@pytest.mark.parametrize("of_file", ["NFC", "NFD"])
@pytest.mark.parametrize("of_farm", ["NFC", "NFD"])
def test_so_it_is_in_a_files_own_column(tmp_path: Path, of_file: str, of_farm: str) -> None:
    toml = FARM.replace('"west"', f'"{NAME}"').replace(f'station = "{NAME}"\n', "")
    toml = toml.replace(
        'time = {columns = ["t"]', 'instrument_column = "who"\ntime = {columns = ["t"]'
    )
    folder = make(tmp_path / "farm", normalize(of_farm, toml))
    drop(folder, "a.csv", [f"{usual(1)},{normalize(of_file, NAME)}"], heading="t,T,R,S1,S2,who")
    collect.collect(folder)
    assert ask(folder, "SELECT station FROM weather_reading") == [(normalize(of_farm, NAME),)]
