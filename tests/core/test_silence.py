"""Who fell silent together: whoever is kept quiet has a leader that is told, and few are each told."""

from dataclasses import replace
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from service.core.setpoint import Priority
from service.core.silence import LASTS_NS, MANY, TOGETHER_NS, Led, S, Silences, Silent, Told

YARD, KILNS = ("Yard", "Hall 1"), ("Kiln works", "Hall 1")
DRIVES = [f"lift-{number}" for number in range(12)]
SILENT = st.dictionaries(
    st.sampled_from(DRIVES),
    st.tuples(st.sampled_from([YARD, KILNS]), st.integers(0, 400), st.booleans(), st.sampled_from(Priority)),
).map(
    lambda found: [
        (Silent(drive_id=name, place=place, since_ns=since_s * S, counts=counts), priority)
        for name, (place, since_s, counts, priority) in found.items()
    ]
)


def silent(number: int, since_s: float, *, place: tuple[str, str] = YARD, counts: bool = True) -> Silent:
    return Silent(drive_id=f"lift-{number}", place=place, since_ns=int(since_s * S), counts=counts)


def told(number: int, **more: object) -> Told:
    return replace(Told(drive_id=f"lift-{number}", place=YARD, priority=Priority.LOW), **more)  # type: ignore[arg-type]


def at_once(drives: list[tuple[Silent, Priority]]) -> tuple[dict[str, str], set[str]]:
    """Ask of one drive after the other, as each comes to be told; return who is led by whom, and who is told."""
    silences = Silences([each for each, _ in drives], [])
    led, leaders = {}, set()
    for each, priority in drives:
        leader = silences.leader_for(each.drive_id, priority)
        if leader is not None:
            led[each.drive_id] = leader
        else:
            leaders.add(each.drive_id)
            silences.tell(Told(drive_id=each.drive_id, place=each.place, priority=priority))
    return led, leaders


@given(SILENT, st.randoms(use_true_random=False))
def test_whoever_is_kept_quiet_has_a_leader_that_is_told_in_whatever_order(
    drives: list[tuple[Silent, Priority]], rng: Random
) -> None:
    rng.shuffle(drives)
    by_id = {each.drive_id: (each, priority) for each, priority in drives}
    led, leaders = at_once(drives)
    assert led.keys() | leaders == by_id.keys()
    for name, leader in led.items():
        assert leader in leaders
        (one, priority), (other, others_priority) = by_id[name], by_id[leader]
        assert one.place == other.place
        assert abs(one.since_ns - other.since_ns) <= TOGETHER_NS
        assert others_priority >= priority
        near = [
            each
            for each, _ in drives
            if each.place == one.place and each.counts and abs(each.since_ns - one.since_ns) <= TOGETHER_NS
        ]
        assert len({each.drive_id for each in near} | {name}) >= MANY


def test_a_broker_that_goes_silences_all_and_one_of_each_place_is_told() -> None:
    plant = [
        (silent(number, number / 50, place=(YARD, KILNS)[number % 2]), Priority.LOW) for number in range(500)
    ]
    led, leaders = at_once(plant)
    assert leaders == {"lift-0", "lift-1"}
    assert len(led) == 498
    assert Silences([each for each, _ in plant], []).others("lift-7") == 249


def test_few_are_each_told_and_so_are_those_that_fell_silent_over_a_shift() -> None:
    assert not at_once([(silent(number, 0), Priority.LOW) for number in range(MANY - 1)])[0]
    assert not at_once([(silent(number, 130 * number), Priority.LOW) for number in range(40)])[0]


def test_five_are_found_wherever_others_fell_silent_before_them() -> None:
    """Cut into stretches from the first on, the five would fall into two."""
    times = [0, 95, 105, 115, 125, 135]
    led, leaders = at_once([(silent(number, since_s), Priority.LOW) for number, since_s in enumerate(times)])
    assert led.keys() == {"lift-1", "lift-2", "lift-3", "lift-5"}
    assert leaders == {"lift-0", "lift-4"}  # 125 s apart


def test_who_stands_or_is_worked_on_makes_nobody_many() -> None:
    drives = [(silent(number, 0, counts=number < MANY - 1), Priority.LOW) for number in range(12)]
    assert not at_once(drives[: MANY - 1])[0]
    assert Silences([each for each, _ in drives], []).others("lift-0") == MANY - 2


def test_nobody_is_kept_quiet_for_one_that_is_held_less_urgent_or_was_answered_before() -> None:
    drives = [silent(number, 100) for number in range(6)]

    def leader(of: Told) -> str | None:
        return Silences(drives, [of]).leader_for("lift-1", Priority.MEDIUM)

    assert leader(told(0, priority=Priority.MEDIUM)) == "lift-0"
    assert leader(told(0, priority=Priority.HIGH)) == "lift-0"
    assert leader(told(0, priority=Priority.LOW)) is None
    assert leader(told(0, priority=Priority.HIGH, held=True)) is None
    assert leader(told(0, priority=Priority.HIGH, acknowledged_ns=99 * S)) is None
    assert leader(told(0, priority=Priority.HIGH, acknowledged_ns=101 * S)) == "lift-0"
    assert leader(told(0, priority=Priority.HIGH, place=KILNS)) is None


def test_who_is_led_stays_so_while_its_leader_is_told_however_that_is_answered() -> None:
    led = Led(leader="lift-0", seen_ns=0)
    acknowledged = Silences([], [told(0, held=True, acknowledged_ns=1)])
    assert acknowledged.follow("lift-1", Priority.HIGH, led, 900 * S) == replace(led, seen_ns=900 * S)


def test_once_its_leader_is_back_it_waits_and_then_one_of_those_that_are_left_is_told() -> None:
    led, left = (
        Led(leader="lift-0", seen_ns=0),
        [silent(1, 0), silent(2, 5000)],
    )  # one gave part of what it kept
    silences = Silences(left, [])
    assert silences.follow("lift-1", Priority.LOW, led, LASTS_NS - 1) == led
    assert silences.follow("lift-1", Priority.LOW, led, LASTS_NS) is None
    silences.tell(told(1, after="lift-0"))
    assert silences.follow("lift-2", Priority.LOW, led, LASTS_NS) == Led(leader="lift-1", seen_ns=LASTS_NS)
    assert silences.follow("lift-2", Priority.HIGH, led, LASTS_NS) is None
