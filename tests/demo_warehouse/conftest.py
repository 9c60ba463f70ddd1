import pytest

from demo_warehouse.simulator import build, farm, plan


@pytest.fixture(scope="session")
def whole_farm():
    return farm.simulate(1, plan.plan())


@pytest.fixture(scope="session")
def laid(tmp_path_factory, whole_farm):
    """The demo's folder, laid once; the simulation is the one that the other tests look at."""
    folder = tmp_path_factory.mktemp("demo")
    build.write(folder, whole_farm, seed=1)
    return folder
