"""Rows of the table of faults that every run of the tests makes for real; `python -m tests.faults.table` makes them all."""

import pytest

from tests.conftest import LONG
from tests.faults import power, stores


@pytest.mark.skipif(not LONG, reason="LINKLAG_LONG=1 is not set; the table of faults has it")
@pytest.mark.timeout(400)
def test_a_worker_killed_while_it_spools_and_while_it_drains_loses_nothing_and_stores_nothing_twice() -> None:
    row = stores.store_locked_spool_and_kills(0.0, batches=400)
    assert row.holds, row


@pytest.mark.timeout(400)
def test_a_power_cut_at_every_ninth_place_of_the_walk_loses_nothing_stores_nothing_twice_and_tells_all() -> (
    None
):
    row = power.power_cut(0.0, single_every=9)
    assert row.holds, row
