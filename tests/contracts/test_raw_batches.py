"""What every adapter of the port `RawBatches` keeps to. What comes here may be hostile."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.database.raw_batches import RawBounds
from service.core.wire import Form
from service.ports import ROWS_MAX, RawBatch, RawBatches
from tests.contracts.given import A_RAW_BATCH, ALL_STORES, NOON_NS, Few, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)
EVER = (0, 2**62)
FEW = Few(raw=RawBounds(bytes_per_drive=20_000, bytes=50_000))


@pytest.fixture
def raw_batches(kind: str) -> Iterator[RawBatches]:
    with a_store(kind) as store:
        yield store.raw_batches


def a_batch(at_s: float, *, seq: int | None = None, drive_id: str = "press-3", size: int = 6) -> RawBatch:
    """A batch that ends `at_s` after noon, with a payload of so many bytes."""
    t_ns = NOON_NS + round(at_s * S)
    seq = round(at_s) if seq is None else seq
    return replace(
        A_RAW_BATCH, drive_id=drive_id, t0_ns=t_ns - 10 * S, t_ns=t_ns, seq=seq, payload=bytes(size)
    )


@st.composite
def any_batch(draw: st.DrawFn) -> RawBatch:
    t0_ns = NOON_NS + draw(st.integers(0, 5)) * S
    return RawBatch(
        drive_id=draw(st.sampled_from(["a", "b"])),
        device_id=draw(st.sampled_from(["", "plc-1"])),
        t0_ns=t0_ns,
        seq=draw(st.integers(0, 3)),
        t_ns=t0_ns + draw(st.integers(0, 3)) * S,
        form=draw(st.sampled_from(Form)),
        content_type=draw(st.none() | st.sampled_from(["application/json", ""])),
        payload=draw(st.binary(max_size=30)),
    )


def identity(batch: RawBatch) -> tuple[str, str, int, int]:
    return batch.drive_id, batch.device_id, batch.t0_ns, batch.seq


def in_time(batch: RawBatch) -> tuple[int, int, int, str]:
    return batch.t_ns, batch.t0_ns, batch.seq, batch.device_id


def test_a_batch_comes_back_as_it_came(raw_batches: RawBatches) -> None:
    raw_batches.keep([A_RAW_BATCH])
    assert raw_batches.raw("press-3", *EVER) == [A_RAW_BATCH]


def test_nothing_to_keep_is_nothing_kept(raw_batches: RawBatches) -> None:
    raw_batches.keep([])
    assert raw_batches.raw("press-3", *EVER) == []
    assert raw_batches.after("press-3", 0) == []


@pytest.mark.parametrize("part", ["drive_id", "device_id", "t0_ns", "seq"])
def test_each_part_of_the_identity_makes_another_batch(raw_batches: RawBatches, part: str) -> None:
    other = {"drive_id": "press-4", "device_id": "", "t0_ns": NOON_NS + 1, "seq": 8}[part]
    raw_batches.keep([A_RAW_BATCH, replace(A_RAW_BATCH, **{part: other})])  # type: ignore[arg-type]
    assert len(raw_batches.raw("press-3", *EVER) + raw_batches.raw("press-4", *EVER)) == 2


@settings(deadline=None, max_examples=30)
@given(st.lists(any_batch(), max_size=20), st.data())
def test_the_first_of_an_identity_stays_and_all_come_in_the_order_of_time(
    kind: str, some: list[RawBatch], data: st.DataObject
) -> None:
    """Whatever came together, and however often it came."""
    cuts = sorted(data.draw(st.sets(st.integers(0, len(some)), max_size=3)))
    first: dict[tuple[str, str, int, int], RawBatch] = {}
    for batch in some:
        first.setdefault(identity(batch), batch)
    with a_store(kind) as store:
        for start, end in zip([0, *cuts], [*cuts, len(some)], strict=True):
            store.raw_batches.keep(some[start:end])
        store.raw_batches.keep([replace(batch, payload=b"other") for batch in some])
        for drive_id in ("a", "b"):
            expected = sorted((one for one in first.values() if one.drive_id == drive_id), key=in_time)
            assert store.raw_batches.raw(drive_id, *EVER) == expected


@settings(deadline=None, max_examples=30)
@given(st.lists(any_batch(), max_size=20, unique_by=identity), st.integers(1, 5))
def test_who_goes_on_from_the_last_one_meets_every_batch_once(
    kind: str, some: list[RawBatch], at_once: int
) -> None:
    """Several may end at the same instant: a part never ends between them."""
    with a_store(kind) as store:
        store.raw_batches.keep(some)
        met: list[RawBatch] = []
        at_ns = 0
        while part := store.raw_batches.after("a", at_ns, at_once):
            met += part
            at_ns = part[-1].t_ns
        assert met == store.raw_batches.raw("a", *EVER)


def test_a_range_is_open_at_its_start_and_closed_at_its_end(raw_batches: RawBatches) -> None:
    three = [a_batch(at_s) for at_s in (10, 20, 30)]
    raw_batches.keep(three)
    assert raw_batches.raw("press-3", NOON_NS + 10 * S, NOON_NS + 20 * S) == three[1:2]
    assert raw_batches.raw("press-3", *EVER, 2) == three[1:]
    assert raw_batches.after("press-3", NOON_NS + 10 * S) == three[1:]
    assert raw_batches.after("press-3", NOON_NS, 2) == three[:2]
    assert raw_batches.raw("press-3", -(2**80), 2**80) == three
    assert raw_batches.after("press-3", -(2**80)) == three
    assert raw_batches.after("press-3", 2**80) == []
    assert raw_batches.raw("saw-1", *EVER) == []


@pytest.mark.parametrize("rows_max", [0, -1, ROWS_MAX + 1])
def test_a_number_of_rows_out_of_bounds_is_refused(raw_batches: RawBatches, rows_max: int) -> None:
    with pytest.raises(ValueError, match="rows_max must be 1 to 100000"):
        raw_batches.raw("press-3", *EVER, rows_max)
    with pytest.raises(ValueError, match="rows_max must be 1 to 100000"):
        raw_batches.after("press-3", 0, rows_max)


def test_old_batches_are_forgotten_a_part_at_a_time(raw_batches: RawBatches) -> None:
    raw_batches.keep([a_batch(10 * n, drive_id=drive_id) for n in range(1, 7) for drive_id in ("a", "b")])
    before_ns = NOON_NS + 40 * S
    assert raw_batches.forget(before_ns, rows_max=4) == 4
    assert raw_batches.forget(before_ns) == 2
    assert raw_batches.forget(before_ns) == 0
    for drive_id in ("a", "b"):
        assert [batch.seq for batch in raw_batches.raw(drive_id, *EVER)] == [40, 50, 60]
    assert raw_batches.forget(-(2**80)) == 0
    assert raw_batches.forget(2**80) == 6


def payload_bytes(batches: list[RawBatch]) -> int:
    return sum(len(batch.payload) for batch in batches)


def test_a_drive_that_sends_too_much_pushes_out_its_own_oldest_alone(kind: str) -> None:
    with a_store(kind, FEW) as store:
        store.raw_batches.keep([a_batch(0, drive_id="quiet", size=3000)])
        for n in range(40):
            store.raw_batches.keep([a_batch(n, size=2000)])
            assert payload_bytes(store.raw_batches.raw("press-3", *EVER)) <= 20_000
        kept = [batch.seq for batch in store.raw_batches.raw("press-3", *EVER)]
        assert kept == list(range(40 - len(kept), 40))
        assert len(kept) >= 7  # no more went than had to, and a little
        assert len(store.raw_batches.raw("quiet", *EVER)) == 1


@settings(deadline=None, max_examples=20)
@given(
    st.lists(st.tuples(st.sampled_from("abcdefgh"), st.integers(0, 6000), st.integers(-60, 60)), max_size=60),
    st.integers(1, 9),
)
def test_the_bounds_hold_and_those_that_came_last_are_there(
    kind: str, what: list[tuple[str, int, int]], at_once: int
) -> None:
    """A backlog that comes late is not what goes first, though it is older."""
    batches = [
        replace(a_batch(at_s, drive_id=drive_id, size=size), seq=seq)
        for seq, (drive_id, size, at_s) in enumerate(what)
    ]
    with a_store(kind, FEW) as store:
        for start in range(0, len(batches), at_once):
            store.raw_batches.keep(batches[start : start + at_once])
        kept = {drive_id: store.raw_batches.raw(drive_id, *EVER) for drive_id in "abcdefgh"}
        assert sum(map(payload_bytes, kept.values())) <= 50_000
        for drive_id, of_drive in kept.items():
            assert payload_bytes(of_drive) <= 20_000
            sent = [batch.seq for batch in batches if batch.drive_id == drive_id]
            assert sorted(batch.seq for batch in of_drive) == sent[len(sent) - len(of_drive) :]
        if batches:
            assert batches[-1] in kept[batches[-1].drive_id]
