"""A row of the table of faults: the network between worker and broker is cut, for real, in network namespaces.

Broker, devices and receiver are in one, the worker in the other; a pair of virtual interfaces joins them. Nothing of it
is seen outside, and all of it is gone at the end.
"""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import pytest

from tests.conftest import needs
from tests.faults.plant import SETTLE_S, a_plant, row_of
from tests.faults.row import Named, Row
from tests.faults.sending import until

BATCHES = 1000
OURS, ITS = "10.231.7.1", "10.231.7.2"  # of broker and worker, within the namespaces only


def network_cut(cut_s: float) -> Row:
    """Cut for so long while devices send, twice; batches and webhooks both go over it."""
    if os.geteuid() != 0:
        pytest.skip("network namespaces are made by root: run it as root")
    with two_namespaces() as (here, there):
        call = f"from tests.faults import network; row = network.cut_inside({there!r}, {cut_s})"
        return row_of(["ip", "netns", "exec", here, sys.executable], call)


@contextmanager
def two_namespaces() -> Iterator[tuple[str, str]]:
    """Make two namespaces that are joined, and take them away at the end."""
    ip = needs("ip", why="apt-get install iproute2")
    here, there = f"lk{os.getpid()}a", f"lk{os.getpid()}b"
    try:
        for name in (here, there):
            subprocess.run([ip, "netns", "add", name], check=True)
            subprocess.run([ip, "-n", name, "link", "set", "lo", "up"], check=True)
        pair = [
            ip,
            "-n",
            here,
            "link",
            "add",
            "joined",
            "type",
            "veth",
            "peer",
            "name",
            "joined",
            "netns",
            there,
        ]
        subprocess.run(pair, check=True)
        for name, address in ((here, OURS), (there, ITS)):
            subprocess.run([ip, "-n", name, "address", "add", f"{address}/30", "dev", "joined"], check=True)
            subprocess.run([ip, "-n", name, "link", "set", "joined", "up"], check=True)
        yield here, there
    finally:
        for name in (here, there):
            subprocess.run([ip, "netns", "delete", name], check=False, stderr=subprocess.DEVNULL)


def cut_inside(there: str, cut_s: float) -> Row:
    """The row itself, in the namespace of broker and receiver."""
    settings = {"LINKLAG_BROKER__ALLOW_INSECURE": "true", "LINKLAG_BROKER__KEEPALIVE_S": "5"}
    link = ["ip", "-n", there, "link", "set", "joined"]
    with a_plant(host=OURS, within=["ip", "netns", "exec", there], settings=settings) as plant:
        plant.start()
        plant.send(BATCHES // 2)
        for turn in range(2):
            plant.until_stored(BATCHES // 8 * (turn + 1))
            subprocess.run([*link, "down"], check=True)
            plant.send(BATCHES // 4)
            stored = plant.stored()
            time.sleep(cut_s)
            until(lambda: not plant.said()["connected"], SETTLE_S)
            subprocess.run([*link, "up"], check=True)
            until(lambda stored=stored: plant.worker.is_up() and plant.stored() > stored, SETTLE_S)  # type: ignore[misc]
        return plant.row(
            f"network: cut for {cut_s:.0f} s, twice", note="the worker connected again by itself"
        )


def rows(minutes: float) -> list[Named]:
    """This row by its name."""
    del minutes
    return [("network", partial(network_cut, 10.0))]
