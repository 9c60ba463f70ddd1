import pytest

from demo_warehouse.simulator import build, farm, plan
from flows.farm.folder import FarmFolder
from flows.run import steps


@pytest.fixture(scope="session")
def whole_farm():
    return farm.simulate(1, plan.plan())


@pytest.fixture(scope="session")
def laid(tmp_path_factory, whole_farm):
    """The demo's folder, laid once; the simulation is the one that the other tests look at."""
    folder = tmp_path_factory.mktemp("demo")
    build.write(folder, whole_farm, seed=1)
    return folder


@pytest.fixture(scope="session")
def derived(laid):
    """The demo's folder with its warehouse and published copy made."""
    folder = FarmFolder.at(laid)
    steps.turn(folder, steps=(steps.collect, steps.derive, steps.publish))
    return folder
