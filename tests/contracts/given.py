"""What the contract tests start from: readings, drives and rejections with every field set, and stores to put them in."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from service.adapters.database.connect import Database, open_database
from service.adapters.database.refused import Bounds, DatabaseRefused
from service.core.batch import Rejection, RejectionReason
from service.core.drive import Baseline, Chain, Drive
from service.core.reading import NotMeasured, Reading
from service.ports import Readings, Refused, Register, Sighting
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

S = 1_000_000_000  # nanoseconds
DAY_NS = 86_400 * S
NOON_NS = 20_706 * DAY_NS + DAY_NS // 2  # 2026-09-10T12:00:00Z
FAKE, SQLITE = "fake", "sqlite"
STORES = [FAKE, SQLITE]


@dataclass(frozen=True, slots=True)
class Ports:
    """The three ports of one store, real or not."""

    readings: Readings
    register: Register
    refused: Refused


@contextmanager
def a_store(kind: str, bounds: Bounds | None = None) -> Iterator[Ports]:
    """An empty store of that kind, gone afterwards."""
    if kind == FAKE:
        few = bounds or Bounds()
        refused = FakeRefused(
            rejections_per_drive=few.rejections_per_drive, rejections=few.rejections, sightings=few.sightings
        )
        yield Ports(FakeReadings(), FakeRegister(), refused)
        return
    with an_empty_database() as database:
        yield Ports(database.readings, database.register, DatabaseRefused(database._transactions, bounds))


@contextmanager
def an_empty_database() -> Iterator[Database]:
    """A new SQLite store, copied from one that was made once and in memory where there is such a folder: faster."""
    in_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    with tempfile.TemporaryDirectory(dir=in_memory) as folder:
        path = Path(folder) / "linklag.db"
        path.write_bytes(_new_file())
        database = open_database(f"sqlite:///{path}")
        try:
            yield database
        finally:
            database.close()


@cache
def _new_file() -> bytes:
    folder = Path(tempfile.mkdtemp())
    open_database(f"sqlite:///{folder / 'new.db'}").close()
    content = (folder / "new.db").read_bytes()
    shutil.rmtree(folder)
    return content


MEASURED = Reading(
    drive_id="press-3",
    device_id="",
    t0_ns=NOON_NS,
    seq=7,
    t_ns=NOON_NS + 10 * S,
    chain_id="press-3-a",
    elongation_pct=0.8125,
    elongation_u_pct=0.011,
    reason=None,
    pitches_between=20.3375,
    lag_pitches=0.3375,
    speed_m_s=1.25,
    coherence=0.998,
    pitches_averaged=196,
    whole_laps=2,
    up_pulses=197,
    down_pulses=198,
    up_missed=1,
    down_missed=2,
    up_extra=3,
    down_extra=4,
    temp_c=48.5,
    mount_c=24.25,
    load_n=3400.0,
)


def a_reading(
    at_s: float = 0.0, pct: float | None = 0.8125, *, seq: int = 0, window_s: float = 10.0
) -> Reading:
    """A reading that ends `at_s` after noon; stopped where `pct` is None."""
    t_ns = NOON_NS + round(at_s * S)
    reading = replace(MEASURED, t_ns=t_ns, t0_ns=t_ns - round(window_s * S), seq=seq, elongation_pct=pct)
    if pct is not None:
        return reading
    return replace(
        reading,
        elongation_u_pct=None,
        reason=NotMeasured.STOPPED,
        pitches_between=None,
        lag_pitches=None,
        speed_m_s=0.0,
        coherence=None,
        up_pulses=0,
        down_pulses=0,
    )


A_DRIVE = Drive(
    drive_id="press-3",
    name="Feed chain",
    site="Talheim",
    area="Presses",
    line="3",
    drive_class="feed",
    whole_pitches=20,
    offset_pitches=0.25,
    spacing_u_mm=0.3,
    driver_teeth=19,
    driven_teeth=57,
    up_to_driver_mm=410.5,
    fixed_centres=True,
    parallel_strands=True,
    own_limit_pct=1.25,
    temp_ref_c=22.0,
    temp_range_k=12.0,
    mount_expansion_per_k=23e-6,
    load_ref_n=3000.0,
    strain_pct_per_kn=0.004,
    load_u_pct=0.01,
    note="Second bracket from the left.",
)
A_CHAIN = Chain(
    chain_id="press-3-a",
    drive_id="press-3",
    designation="16B-1",
    pitch_mm=25.4,
    strands=1,
    pitches_in_loop=98,
    fitted_ns=NOON_NS,
    note="from stock",
)
A_BASELINE = Baseline(
    chain_id="press-3-a",
    pitches_between=20.2451,
    pitches_between_u=0.0021,
    elongation_pct=0.05,
    elongation_u_pct=0.03,
    taken_ns=NOON_NS + S,
    recorded_ns=NOON_NS + 2 * S,
    recorded_by="shift B",
    why="run in for a day",
)
A_REJECTION = Rejection(
    drive_id="press-3",
    topic="linklag/v1/press-3/pulses",
    reason=RejectionReason.NOT_PARSEABLE,
    detail="byte 0 is no JSON: send the JSON or the CBOR of the contract",
    payload=b"\x00\xffabc",
    payload_bytes=5,
    received_ns=NOON_NS,
)
A_SIGHTING = Sighting(
    drive_id="saw-1",
    first_seen_ns=NOON_NS,
    last_seen_ns=NOON_NS + 60 * S,
    messages=7,
    topic="linklag/v1/saw-1/pulses",
    device_id="plc-4",
    up_rate_hz=50.5,
    down_rate_hz=50.25,
)
