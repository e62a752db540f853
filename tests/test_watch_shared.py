"""Several processes watch one store: each drive by one of them, and who was replaced in the middle of a turn changes nothing."""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.database.connect import Database
from service.core.condition import Forecast
from service.core.drive import Drive
from service.core.setpoint import STEPS
from service.ports import Lease, LeaseLostError, StoreUnavailableError
from service.share_tasks import ShareTasks
from service.watch import SHARE_NAMES, Watch, shares_of
from tests.contracts.given import NOON_NS, POSTGRES, SQLITE, Ports, S, an_empty_database, fake_ports
from tests.postgres import an_empty_postgres
from tests.test_watch import a_chain, a_plant, rows

AFTER_S = 12.0
DRIVES = [f"d{number}" for number in range(6)]


@dataclass
class Process:
    """A process that watches; `within` is called in the middle of each turn, once for each drive."""

    share: ShareTasks
    watch: Watch
    within: Callable[[], None] | None = None
    lost: int = 0

    def turn(self) -> int:
        try:
            return self.watch.turn()
        except LeaseLostError:
            self.lost += 1
            return 0


@dataclass
class Site:
    """A store, and processes on it, with a clock that goes on by hand."""

    database: Database
    now_s: float = 0.0
    processes: list[Process] = field(default_factory=list)

    def process(self, name: str) -> Process:
        share = ShareTasks(
            self.database.leases,
            name,
            {"watch": lambda: SHARE_NAMES},
            after_s=AFTER_S,
            monotonic_s=lambda: self.now_s,
        )
        task = share.task("watch")

        def forecast_of(_chain_id: str, _now_ns: int) -> Forecast | None:
            if made.within is not None:
                made.within()
            return None

        watch = Watch(
            self.database.fenced(task.in_use),
            forecast_of=forecast_of,
            task=task,
            now_ns=lambda: NOON_NS + 40_000 * S,
        )
        made = Process(share, watch)
        self.processes.append(made)
        return made

    def share(self, *processes: Process, turns: int = 3) -> None:
        for _ in range(turns):
            self.now_s += 1.0
            for process in processes:
                process.share.turn()

    def store(self, number: int) -> None:
        """What lets each drive reach one step more."""
        begin_s, pct = 10_000 * number, (1.0, 2.2, 2.8, 3.1)[number]
        new = [rows(begin_s + 10, begin_s + 1010, pct, 100, drive_id=drive_id) for drive_id in DRIVES]
        self.database.readings.store([each for of_drive in new for each in of_drive])

    def told(self) -> Counter[tuple[str, str, str, int]]:
        return told(self.database)

    def stored(self) -> dict[str, object]:
        return {drive_id: self.database.evaluations.load(drive_id) for drive_id in DRIVES}


def told(ports: Ports | Database) -> Counter[tuple[str, str, str, int]]:
    """What was recorded of the steps, and how often."""
    return Counter(
        (each.drive_id, str(each.kind), str(each.act.event), each.act.true_ns)
        for each in ports.alert_log.after(0)
        if each.kind in STEPS and each.act.event in {"occur", "clear"}
    )


def alone(numbers: int) -> Counter[tuple[str, str, str, int]]:
    """What one watcher by itself records of the same."""
    ports = fake_ports()
    plant = a_plant(*DRIVES)
    plant.ports = ports = plant.ports
    for number in range(numbers):
        begin_s, pct = 10_000 * number, (1.0, 2.2, 2.8, 3.1)[number]
        for drive_id in DRIVES:
            ports.readings.store(rows(begin_s + 10, begin_s + 1010, pct, 100, drive_id=drive_id))
        plant.turn(40_000)
    return told(ports)


@pytest.fixture
def site(request: pytest.FixtureRequest) -> Iterator[Site]:
    """Over SQLite, or what a test asks for."""
    kind = getattr(request, "param", SQLITE)
    with an_empty_postgres() if kind == POSTGRES else an_empty_database() as database:
        for drive_id in DRIVES:
            database.register.add_drive(Drive(drive_id=drive_id, whole_pitches=20))
            database.register.fit_chain(a_chain(drive_id))
        yield Site(database)


def test_two_watchers_watch_each_drive_once_between_them(site: Site) -> None:
    one, other = site.process("a"), site.process("b")
    site.share(one, other)
    for number in range(4):
        site.store(number)
        assert one.turn() + other.turn() == len(DRIVES)
    assert site.told() == alone(4)
    assert len(alone(4)) == 3 * len(DRIVES)
    assert site.database.evaluations.due() == []


@pytest.mark.parametrize("site", [SQLITE, POSTGRES], indirect=True)
def test_who_is_replaced_in_the_middle_of_a_turn_changes_nothing_more(site: Site) -> None:
    """It stands still for minutes once it has looked at some drives; the other does all; then it goes on where it was."""
    paused, other = site.process("a"), site.process("b")
    site.share(paused)
    site.store(0)
    site.store(1)
    after: list[tuple[object, object]] = []

    def stand_still() -> None:
        paused.within = None
        for _ in range(20):
            site.share(other, turns=1)
        other.turn()
        site.store(2)
        other.turn()
        after.append((site.told(), site.stored()))

    paused.within = stand_still
    assert paused.turn() == 0
    assert paused.lost == 1
    assert [(site.told(), site.stored())] == after
    assert site.told() == alone(3)
    site.share(paused, other)
    site.store(3)
    assert paused.turn() + other.turn() == len(DRIVES)
    assert site.told() == alone(4)


def test_a_watcher_that_gets_a_share_back_goes_on_from_what_the_other_stored(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = site.process("a"), site.process("b")
    site.share(one)
    site.store(0)
    one.turn()
    site.share(other, turns=20)  # the first one stands still
    site.store(1)
    site.store(2)
    assert other.turn() == len(DRIVES)
    other.share.leave()
    site.share(one)
    site.store(3)
    loaded: list[str] = []
    evaluations = one.watch._stores.evaluations
    load = evaluations.load
    monkeypatch.setattr(evaluations, "load", lambda drive_id: [loaded.append(drive_id), load(drive_id)][1])  # type: ignore[func-returns-value]
    assert one.turn() == len(DRIVES)
    assert sorted(loaded) == DRIVES  # what it remembers itself is older
    assert one.turn() == 0
    assert len(loaded) == len(DRIVES)
    assert site.told() == alone(4)


def test_a_drive_that_goes_over_into_another_share_during_a_turn_is_saved_by_whoever_has_that(
    site: Site,
) -> None:
    """Its strand group was set meanwhile. What is saved of it would be an older state than what the other one may have saved."""
    one, other = site.process("a"), site.process("b")
    site.share(one, other)
    site.store(0)
    leases = {each.task: each.holder for each in site.database.leases.look()[1]}
    of_one = [each for each in DRIVES if leases[shares_of([Drive(drive_id=each)])[each]] == "a"]
    moved = of_one[0]
    group = next(
        name
        for name in map(str, range(100))
        if leases[shares_of([Drive(drive_id=moved, strand_group=name)])[moved]] == "b"
    )

    def regroup() -> None:
        one.within = None
        site.database.register.change_drive(Drive(drive_id=moved, whole_pitches=20, strand_group=group))

    one.within = regroup
    one.turn()
    stored = site.stored()
    assert [each for each in of_one if stored[each] is None] == [moved]
    assert [each.drive_id for each in site.database.evaluations.due() if each.drive_id in of_one] == [moved]
    other.turn()
    assert site.stored()[moved] is not None
    for number in (1, 2, 3):
        site.store(number)
        one.turn()
        other.turn()
    assert site.told() == alone(4)


def test_what_could_not_be_saved_is_looked_at_anew_and_saved_then(monkeypatch: pytest.MonkeyPatch) -> None:
    plant = a_plant("a")
    plant.store(*rows(10, 1010, 1.0, 100))

    def down(*_: object, **__: object) -> None:
        raise StoreUnavailableError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(plant.ports.evaluations, "save", down)
        with pytest.raises(StoreUnavailableError):
            plant.turn(1020)
    plant.turn(1030)
    saved = plant.ports.evaluations.load("a")
    assert saved is not None
    assert str(NOON_NS + 1010 * S) in str(saved.state)
    assert plant.ports.evaluations.due() == []


def test_a_watcher_without_a_share_does_nothing() -> None:
    class Nothing:
        @property
        def leases(self) -> list[Lease]:
            return []

        def turn(self) -> "Nothing":
            return self

        def __enter__(self) -> list[Lease]:
            return self.leases

        def __exit__(self, *_: object) -> None:
            pass

        def goes_on(self) -> bool:
            return False

    plant = a_plant("a")
    plant.store(*rows(10, 1010, 2.2, 100))
    watch = plant.another(task=Nothing())
    assert watch.turn() == 0
    assert plant.told() == []
    assert [each.drive_id for each in plant.ports.evaluations.due()] == ["a"]


NAMES = st.text("abc-1", min_size=1, max_size=5).filter(lambda name: name[0] not in "-_")


@given(
    drives=st.lists(
        st.builds(
            Drive,
            drive_id=NAMES,
            site=st.sampled_from(["", "Lehmgrube", "Talheim"]),
            strand_group=st.sampled_from(["", "x", "y"]),
        ),
        unique_by=lambda each: each.drive_id,
    )
)
def test_strands_beside_each_other_fall_into_one_share_and_a_drive_by_itself_into_its_own(
    drives: list[Drive],
) -> None:
    shares = shares_of(drives)
    assert set(shares.values()) <= set(SHARE_NAMES)
    for one in drives:
        assert shares_of([one]) == {one.drive_id: shares[one.drive_id]}  # whoever else there is
        if not one.strand_group:
            assert shares[one.drive_id] == shares_of([replace(one, site="elsewhere")])[one.drive_id]
        for other in drives:
            if one.strand_group and (one.site, one.strand_group) == (other.site, other.strand_group):
                assert shares[one.drive_id] == shares[other.drive_id]
