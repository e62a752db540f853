"""What the contract tests start from: readings, drives and rejections with every field set, and stores to put them in."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path

from service.adapters.database.chain_maps import DatabaseChainMaps
from service.adapters.database.connect import Database, Series, open_database
from service.adapters.database.devices import DatabaseDevices
from service.adapters.database.people import DatabaseGuessCounts
from service.adapters.database.raw_batches import DatabaseRawBatches, RawBounds
from service.adapters.database.refused import Bounds, DatabaseRefused
from service.adapters.influx.readings import InfluxReadings
from service.core.batch import Rejection, RejectionReason
from service.core.drive import Baseline, Chain, Drive
from service.core.hand import HandMethod, HandValue
from service.core.reading import NotMeasured, Reading
from service.core.wire import Form
from service.ports import (
    AlertLog,
    AuditLog,
    ChainMaps,
    Devices,
    DutyPlans,
    Evaluations,
    Groups,
    GuessCounts,
    Handovers,
    HandValues,
    Leases,
    Notes,
    Outbox,
    People,
    PlannedStops,
    Prognoses,
    RawBatch,
    RawBatches,
    Readings,
    Refused,
    Register,
    Removals,
    Sessions,
    Setpoints,
    Sighting,
    Sites,
    Sprockets,
    Supplies,
    Tokens,
    UpkeepLog,
    WorkInHand,
)
from tests.fakes import (
    FakeChainMaps,
    FakeDevices,
    FakeHandValues,
    FakeRawBatches,
    FakeReadings,
    FakeRefused,
    FakeRegister,
)
from tests.fakes_alerts import FakeAlertLog
from tests.fakes_changes import FakeDutyPlans, FakePlannedStops, FakeSupplies
from tests.fakes_groups import FakeGroups
from tests.fakes_leases import FakeLeases
from tests.fakes_lives import FakeRemovals, FakeSprockets, FakeUpkeepLog
from tests.fakes_outgoing import FakeOutbox
from tests.fakes_people import FakeAuditLog, FakeGuessCounts, FakePeople, FakeSessions, FakeTokens
from tests.fakes_prognoses import FakePrognoses
from tests.fakes_shifts import FakeHandovers, FakeNotes, FakeSites, FakeWorkInHand
from tests.fakes_watch import FakeEvaluations, FakeSetpoints
from tests.influx import an_empty_bucket
from tests.postgres import an_empty_postgres

S = 1_000_000_000  # nanoseconds
DAY_NS = 86_400 * S
NOON_NS = 20_706 * DAY_NS + DAY_NS // 2  # 2026-09-10T12:00:00Z
FAKE, SQLITE, POSTGRES, INFLUX = "fake", "sqlite", "postgresql", "influx"
STORES = [FAKE, SQLITE]
ALL_STORES = [*STORES, POSTGRES]
SERIES_STORES = [*ALL_STORES, INFLUX]  # where readings may be


@dataclass(frozen=True, slots=True)
class Ports:
    """The ports of one store, real or not."""

    readings: Readings
    register: Register
    refused: Refused
    raw_batches: RawBatches
    hand_values: HandValues
    devices: Devices
    chain_maps: ChainMaps
    alert_log: AlertLog
    audit_log: AuditLog
    people: People
    sessions: Sessions
    tokens: Tokens
    guess_counts: GuessCounts
    sites: Sites
    work_in_hand: WorkInHand
    notes: Notes
    handovers: Handovers
    outbox: Outbox
    setpoints: Setpoints
    evaluations: Evaluations
    removals: Removals
    sprockets: Sprockets
    upkeep_log: UpkeepLog
    planned_stops: PlannedStops
    supplies: Supplies
    duty_plans: DutyPlans
    prognoses: Prognoses
    groups: Groups
    leases: Leases


@dataclass(frozen=True, slots=True, kw_only=True)
class Few:
    """How much of some things a store keeps, where a test wants to see the end of it."""

    refused: Bounds = field(default_factory=Bounds)
    raw: RawBounds = field(default_factory=RawBounds)
    states: int = 10_000
    map_bytes: int = 100_000
    guesses: int = 10_000


@contextmanager
def a_store(kind: str, few: Few | None = None) -> Iterator[Ports]:
    """An empty store of that kind, gone afterwards."""
    few = few or Few()
    if kind == FAKE:
        yield fake_ports(few)
        return
    with an_empty_postgres() if kind == POSTGRES else an_empty_database(series=kind) as database:
        transactions = database._transactions
        yield Ports(
            database.readings,
            database.register,
            DatabaseRefused(transactions, few.refused),
            DatabaseRawBatches(transactions, bounds=few.raw),
            database.hand_values,
            DatabaseDevices(transactions, few.states),
            DatabaseChainMaps(transactions, few.map_bytes),
            database.alert_log,
            database.audit_log,
            database.people,
            database.sessions,
            database.tokens,
            DatabaseGuessCounts(transactions, few.guesses),
            outbox=database.outbox,
            setpoints=database.setpoints,
            evaluations=database.evaluations,
            sites=database.sites,
            work_in_hand=database.work_in_hand,
            notes=database.notes,
            handovers=database.handovers,
            removals=database.removals,
            sprockets=database.sprockets,
            upkeep_log=database.upkeep_log,
            planned_stops=database.planned_stops,
            supplies=database.supplies,
            duty_plans=database.duty_plans,
            prognoses=database.prognoses,
            groups=database.groups,
            leases=database.leases,
        )


def fake_ports(few: Few | None = None) -> Ports:
    """An empty store of fakes."""
    few = few or Few()
    audit_log = FakeAuditLog()
    evaluations = FakeEvaluations()
    register, bounds = FakeRegister(audit_log, evaluations), few.refused
    evaluations.version_of_register = register.version
    refused = FakeRefused(
        rejections_per_drive=bounds.rejections_per_drive,
        rejections=bounds.rejections,
        sightings=bounds.sightings,
        audit_log=audit_log,
    )
    raw_batches = FakeRawBatches(bytes_per_drive=few.raw.bytes_per_drive, bytes_in_all=few.raw.bytes)
    hand_values = FakeHandValues(register)
    devices, chain_maps = FakeDevices(few.states), FakeChainMaps(few.map_bytes)
    alert_log, outbox = FakeAlertLog(), FakeOutbox(audit_log)
    setpoints, supplies = FakeSetpoints(audit_log), FakeSupplies(audit_log)
    sites, planned_stops = FakeSites(audit_log), FakePlannedStops(audit_log)
    return Ports(
        FakeReadings(evaluations),
        register,
        refused,
        raw_batches,
        hand_values,
        devices,
        chain_maps,
        alert_log,
        audit_log,
        people := FakePeople(audit_log),
        FakeSessions(people),
        FakeTokens(audit_log),
        FakeGuessCounts(few.guesses),
        outbox=outbox,
        setpoints=setpoints,
        evaluations=evaluations,
        sites=sites,
        work_in_hand=FakeWorkInHand(register, audit_log),
        notes=FakeNotes(audit_log),
        handovers=FakeHandovers(audit_log),
        removals=FakeRemovals(register),
        sprockets=FakeSprockets(register),
        upkeep_log=FakeUpkeepLog(register),
        planned_stops=planned_stops,
        supplies=supplies,
        duty_plans=FakeDutyPlans(register, audit_log),
        prognoses=FakePrognoses(register),
        groups=FakeGroups(register, setpoints, supplies, sites, planned_stops, outbox),
        leases=FakeLeases(),
    )


@contextmanager
def an_empty_database(series: str = SQLITE) -> Iterator[Database]:
    """A new SQLite store, copied from one that was made once and in memory where there is such a folder: faster.

    series: INFLUX has its readings in a bucket of its own.
    """
    if series == INFLUX:
        with an_empty_bucket() as client, _an_empty_database(partial(InfluxReadings, client)) as database:
            yield database
    else:
        with _an_empty_database() as database:
            yield database


@contextmanager
def _an_empty_database(series: Series | None = None) -> Iterator[Database]:
    in_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    with tempfile.TemporaryDirectory(dir=in_memory) as folder:
        path = Path(folder) / "linklag.db"
        path.write_bytes(_new_file())
        database = open_database(f"sqlite:///{path}", series=series)
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
    since_pct=0.7625,
    since_u_pct=0.0105,
    baseline_taken_ns=NOON_NS - 90 * DAY_NS,
    baseline_recorded_ns=NOON_NS - 89 * DAY_NS,
    up_alternation_pct=0.85,
    up_alternation_u_pct=0.031,
    down_alternation_pct=0.79,
    down_alternation_u_pct=0.032,
    by_alternation=True,
    polygon_taken_pct=0.0125,
    delay_taken_pct=-0.02,
    temperature_taken_pct=0.00875,
    load_taken_pct=0.0016,
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
        since_pct=None,
        since_u_pct=None,
        baseline_taken_ns=None,
        baseline_recorded_ns=None,
        by_alternation=False,
        polygon_taken_pct=None,
        delay_taken_pct=None,
        temperature_taken_pct=None,
        load_taken_pct=None,
    )


A_DRIVE = Drive(
    drive_id="press-3",
    name="Feed chain",
    site="Talheim",
    area="Presses",
    line="3",
    drive_class="feed",
    strand_group="feed left and right",
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
    strain_u_pct_per_kn=0.0005,
    delay_us=12.5,
    delay_u_us=1.5,
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
    up_alternation_pct=0.06,
    down_alternation_pct=0.04,
)
A_HAND_VALUE = HandValue(
    drive_id="press-3",
    chain_id="press-3-a",
    measured_ns=NOON_NS + 3600 * S,
    recorded_ns=NOON_NS + 7200 * S,
    recorded_by="M. Brandt",
    method=HandMethod.CALLIPER,
    pitches=12,
    length_mm=307.25,
    length_u_mm=0.05,
    pitch_mm=25.4,
    tight=True,
    temp_c=31.5,
    note="two links left of the splice",
)
A_RAW_BATCH = RawBatch(
    drive_id="press-3",
    device_id="plc-4",
    t0_ns=NOON_NS,
    seq=7,
    t_ns=NOON_NS + 10 * S,
    form=Form.PULSES,
    content_type="application/cbor",
    payload=b"\xa5\x00\xffabc",
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
