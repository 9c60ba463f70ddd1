"""How the suite runs: which tests share a worker, which are quick, how properties are drawn.

Hypothesis: no deadline (timings are no matter of a test), and in CI the same examples every time, so
that a landing is no lottery; everywhere else new ones each run.
"""

import os

import pytest
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

from tests import suite

# A worker a core: threads of polars and of linear algebra beside it would only fight for the cores.
for _name in ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

settings.register_profile("checkstrip", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("checkstrip")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Run the whole suite with a worker a core, but what is named on the command line right here."""
    return 0 if config.args_source is pytest.Config.ArgsSource.ARGS else None


class _Pieces(LoadScopeScheduling):
    """Hand out the suite in the pieces that ``tests.suite`` names.

    The marks of pytest-xdist's own ``loadgroup`` go unseen with pytest 9.2.
    """

    def _split_scope(self, nodeid: str) -> str:
        return suite.piece(nodeid)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadScopeScheduling:
    """Hand out pieces in the order of the folders: the long ones come first."""
    config.option.loadscopereorder = False
    return _Pieces(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the quick tests."""
    for item in items:
        if suite.is_quick(item.nodeid):
            item.add_marker("quick")
