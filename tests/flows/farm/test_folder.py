import sys

import pytest

from flows.base.errors import UserError
from flows.farm.folder import FarmFolder


def test_what_is_no_farm_folder_is_named(tmp_path):
    with pytest.raises(UserError, match=r"no folder .*checkstrip new"):
        FarmFolder.at(tmp_path / "none")
    with pytest.raises(UserError, match=r"has no farm\.toml"):
        FarmFolder.at(tmp_path)
    (tmp_path / "farm.toml").touch()
    assert FarmFolder.at(tmp_path).root == tmp_path.resolve()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows keeps the rights of the folder above")
def test_others_may_reach_the_published_copy_and_nothing_else(tmp_path):
    folder = FarmFolder(tmp_path)
    folder.make()
    assert {
        path.name: path.stat().st_mode & 0o077 for path in tmp_path.iterdir() if path != folder.drop
    } == {
        "archive": 0,
        "state": 0,
        "warehouse": 0o011,
    }
    assert folder.published.stat().st_mode & 0o777 == 0o755
