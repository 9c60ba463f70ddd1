"""A lease: one worker at a time, and one that slept is refused."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from flows.base.errors import Attention
from flows.network import lease
from flows.network.lease import Lost
from flows.share import objects, pointer
from tests.flows import shared_farms

FARM = shared_farms.farm_id(1)
# Takes a lease, says so, waits for a line, and publishes under it.
WORKER = """
import sys
from flows.network import lease
from flows.share import objects, pointer
from tests.flows import shared_farms
store, farm = objects.open_at(sys.argv[1]), shared_farms.farm_id(1)
held = lease.take(store, "round", "the sleeper", 1.0)
print("held", held.fence, flush=True)
sys.stdin.readline()
try:
    pointer.publish(
        store,
        pointer.About(farm, "pooled"),
        shared_farms.tables(farm, 5),
        fence=held.fence,
        check=held.check,
    )
    print("published")
except pointer.Refused as refused:
    print("refused:", refused)
"""


def test_one_holds_it_at_a_time(address):
    store = objects.open_at(address)
    one = lease.take(store, "round", "one", 60)
    assert one.fence == 1
    assert lease.take(store, "round", "two", 60) is None
    assert lease.take(store, "other", "two", 60).fence == 1
    one.check()
    one.renew()
    one.check()
    assert lease.holder(store, "round").holder == "one"
    one.release()
    with pytest.raises(Lost):
        one.check()
    assert lease.take(store, "round", "two", 60).fence == 2


def test_whoever_was_passed_over_learns_it(address):
    store = objects.open_at(address)
    one = lease.take(store, "round", "one", 0.05)
    time.sleep(0.1)
    two = lease.take(store, "round", "two", 60)
    assert two.fence == 2
    for act in (one.check, one.renew):
        with pytest.raises(Lost):
            act()
    one.release()  # is not its own any more
    two.check()


def test_a_lease_is_lost_though_its_time_has_not_passed_here(address):
    """Another computer, whose clock is ahead, took it over."""
    store = objects.open_at(address)
    one = lease.take(store, "round", "one", 60)
    found = store.get("leases/round.json")
    store.put("leases/round.json", found.content.replace(b'"one"', b'"two"'))
    with pytest.raises(Lost):
        one.check()
    with pytest.raises(Lost):
        one.renew()


def test_a_time_that_ran_out_ends_it_though_nobody_took_over(address):
    one = lease.take(objects.open_at(address), "round", "one", 60)
    one._ends = time.monotonic()  # the minute is over
    with pytest.raises(Lost):
        one.check()
    one.renew()  # nobody else wanted it
    one.check()


def test_a_damaged_lease_is_not_taken(address):
    store = objects.open_at(address)
    store.put("leases/round.json", b"{")
    with pytest.raises(Attention, match="damaged"):
        lease.take(store, "round", "one", 60)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGSTOP")
def test_a_worker_stopped_past_its_lease_is_refused(address):
    """SIGSTOP after it took the lease; another works meanwhile; then SIGCONT."""
    store = objects.open_at(address)
    sleeper = subprocess.Popen(
        [sys.executable, "-c", WORKER, address],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert sleeper.stdout.readline() == "held 1\n"
    os.kill(sleeper.pid, signal.SIGSTOP)
    time.sleep(1.1)
    held = lease.take(store, "round", "another", 60)
    about = pointer.About(FARM, "pooled")
    pointer.publish(store, about, shared_farms.tables(FARM, 6), fence=held.fence, check=held.check)
    before = store.get(pointer.key(FARM))
    os.kill(sleeper.pid, signal.SIGCONT)
    said, _ = sleeper.communicate("go on\n", timeout=60)
    assert said.startswith("refused:")
    assert store.get(pointer.key(FARM)) == before
