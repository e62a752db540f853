"""Maps of chains folded from stored batches: over restarts, each batch once, and shown with what stands out."""

import json
from collections.abc import Iterator

import numpy as np
import pytest

from sensors_sim.chain import SimulatedChain
from sensors_sim.drive import SimulatedDrive
from sensors_sim.motion import Motion
from service.adapters.database.connect import Database
from service.core.batch import Batch
from service.core.chain_faults import Fault
from service.core.drive import Chain, Drive
from service.core.reading import convert
from service.core.wire import Form
from service.fold_maps import FoldMaps, map_of_drive
from service.ports import NotFoundError, RawBatch
from tests.adapters.web.plant import a_plant
from tests.contracts.given import SQLITE, an_empty_database

S = 1_000_000_000
T0_NS = 1_795_000_000 * S
LOOP = 100
DRIVE = Drive(drive_id="kiln-feed", whole_pitches=20, driver_teeth=19)
CHAIN = Chain(
    chain_id="kiln-feed/1",
    drive_id="kiln-feed",
    designation="08B",
    pitch_mm=12.7,
    pitches_in_loop=LOOP,
    fitted_ns=1,
)


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        database.register.add_drive(DRIVE)
        database.register.fit_chain(CHAIN)
        yield database


def store(database: Database, batches: int, *, bad_joint_mm: float = 0.0) -> None:
    """A drive that ran on without a stop: windows of 4 s with their readings, as the worker stores them."""
    chain = SimulatedChain.make(
        pitch_mm=12.7,
        pitches=LOOP,
        elongation_pct=1.2,
        bad_joint_mm=bad_joint_mm,
        rng=np.random.default_rng(5),
    )
    drive = SimulatedDrive(
        chain=chain,
        motion=Motion.constant(1.0),
        spacing_mm=20 * 12.7,
        up_to_driver_mm=30 * 12.7,
        teeth=19,
        start_ns=T0_NS,
        seed=3,
    )
    for seq in range(batches):
        made = drive.run(4.0)
        payload = {
            "v": 1, "seq": seq, "t0": made.t0_ns // 1000, "tick_ns": made.tick_ns,
            "up": made.up_ticks.tolist(), "down": made.down_ticks.tolist(), "span_ticks": made.span_ticks,
        }  # fmt: skip
        batch = Batch(
            drive_id="kiln-feed", seq=seq, t0_ns=made.t0_ns // 1000 * 1000, tick_ns=made.tick_ns, up=made.up_ticks,
            down=made.down_ticks, span_ns=made.span_ticks * made.tick_ns,
        )  # fmt: skip
        raw = RawBatch(
            drive_id="kiln-feed", device_id="", t0_ns=batch.t0_ns, seq=seq, t_ns=batch.end_ns, form=Form.PULSES,
            content_type="application/json", payload=json.dumps(payload).encode(),
        )  # fmt: skip
        reading = convert(batch, drive=DRIVE, chain=CHAIN, baseline=None, last=None)
        database.store_all([reading], [raw])


def folding(database: Database) -> FoldMaps:
    return FoldMaps(
        database.raw_batches,
        database.readings,
        database.register,
        database.chain_maps,
        now_ns=lambda: T0_NS + 10**6 * S,
    )


def the_map(database: Database) -> object:
    return map_of_drive(
        "kiln-feed", database.register, database.readings, database.chain_maps, T0_NS + 10**6 * S
    )


def test_one_long_joint_is_found_in_what_was_stored(database: Database) -> None:
    store(database, 12, bad_joint_mm=1.0)
    assert folding(database).fold_drive("kiln-feed") == 12
    found = map_of_drive(
        "kiln-feed", database.register, database.readings, database.chain_maps, T0_NS + 10**6 * S
    )
    assert found.links is not None
    assert found.laps > 20
    (fault,) = found.faults
    assert fault.fault in {Fault.LONG_LINK, Fault.JOINT_OUT_OF_PLACE}
    assert fault.excess_mm == pytest.approx(1.0, abs=0.3)


def test_a_sound_chain_has_a_map_and_no_fault(database: Database) -> None:
    store(database, 10)
    folding(database).fold_drive("kiln-feed")
    found = map_of_drive(
        "kiln-feed", database.register, database.readings, database.chain_maps, T0_NS + 10**6 * S
    )
    assert found.links is not None
    assert found.links.elongation_pct.mean() == pytest.approx(1.2, abs=0.1)
    assert found.faults == []


def test_each_batch_is_folded_once_and_folding_goes_on_after_a_restart(database: Database) -> None:
    store(database, 6)
    assert folding(database).fold_drive("kiln-feed") == 6
    assert folding(database).fold_drive("kiln-feed") == 0
    laps = getattr(the_map(database), "laps", 0.0)
    assert folding(database).fold_drive("kiln-feed") == 0
    assert getattr(the_map(database), "laps", 0.0) == laps > 10


def test_a_map_that_cannot_be_read_is_begun_again(database: Database) -> None:
    from service.ports import SavedMap

    store(database, 6)
    database.chain_maps.save(SavedMap(chain_id="kiln-feed/1", folded_to_ns=1, state={"v": 99}))
    assert folding(database).fold_drive("kiln-feed") == 6


def test_without_a_loop_length_there_is_no_map_and_it_says_what_to_give(database: Database) -> None:
    database.register.add_drive(Drive(drive_id="other", whole_pitches=20))
    database.register.fit_chain(
        Chain(chain_id="other/1", drive_id="other", designation="08B", pitch_mm=12.7, fitted_ns=1)
    )
    assert folding(database).fold_drive("other") == 0
    with pytest.raises(NotFoundError, match="pitches_in_loop"):
        map_of_drive("other", database.register, database.readings, database.chain_maps, T0_NS)


def test_page_and_api_show_the_map(database: Database) -> None:
    del database
    with a_plant(SQLITE) as plant:
        plant.ports.register.add_drive(DRIVE)
        for path, wanted in (("/drives/kiln-feed/map", 200), ("/api/v1/drives/kiln-feed/map", 404)):
            assert plant.client.get(path).status_code == wanted  # no chain yet: the page says so
        plant.ports.register.fit_chain(CHAIN)
        answer = plant.client.get("/api/v1/drives/kiln-feed/map")
        assert answer.status_code == 200
        assert answer.json()["links"] == []
        assert "Nothing is folded yet" in plant.client.get("/drives/kiln-feed/map").text
