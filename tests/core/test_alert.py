"""The life of an alert: the table, the replay, and that nothing annunciates while it is held."""

import re
from collections.abc import Sequence
from dataclasses import FrozenInstanceError, fields, replace
from itertools import permutations, product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core import alert as alert_module
from service.core.alert import (
    LIFE,
    LIFE_WHILE_HELD,
    NEEDS_UNTIL,
    NEEDS_WHY,
    NOTES,
    PUTS_ON,
    TAKES_OFF,
    Act,
    Alert,
    Annunciation,
    Event,
    Hold,
    NotAllowedError,
    Transition,
    advance,
    alert_id_of,
    applied,
    begin,
    replay,
)
from service.core.setpoint import ConditionKind, Facts, Priority

NOW_NS = 1_795_000_000_000_000_000
NEW = begin("kiln-car-2", ConditionKind.NEAR)
N, U, A, R = Annunciation  # normal, unacknowledged, acknowledged, returned


def act(event: Event, at: int = 0, **more: object) -> Act:
    """An act that has what its event needs."""
    given_ = {
        "why": "a reason" if event in NEEDS_WHY else "",
        "until_ns": NOW_NS + at + 1000 if event in NEEDS_UNTIL else None,
        "true_ns": NOW_NS + at,
        "recorded_ns": NOW_NS + at,
    } | more
    return Act(event=event, **given_)  # type: ignore[arg-type]


def after(alert: Alert, *events: Event) -> Alert:
    for n, event in enumerate(events, alert.seq + 1):
        alert = applied(alert, advance(alert, act(event, n)))
    return alert


def lived(events: Sequence[Event]) -> tuple[list[Transition], list[Alert]]:
    """The transitions that events made of a new alert, and the alert after each; what is not allowed is left out."""
    made, alerts = list[Transition](), [NEW]
    for n, event in enumerate(events, 1):
        try:
            made.append(replace(advance(alerts[-1], act(event, n, by=f"person {n}")), number=n * 7))
        except NotAllowedError:
            continue
        alerts.append(applied(alerts[-1], made[-1]))
    return made, alerts


LIVES = st.lists(st.sampled_from(Event), max_size=40)


# The table


def test_the_picture_at_the_top_of_the_module_is_the_table() -> None:
    rows = re.findall(
        r"^    (\w+)(?: \(.*?\))?  +(\S+)  +(\S+)  +(\S+)$", alert_module.__doc__ or "", re.MULTILINE
    )
    head, *lines = rows
    assert head == ("annunciation", "occur", "clear", "acknowledge")
    names = {"normal": N, "unacknowledged": U, "acknowledged": A, "returned": R}
    drawn = {
        (names[line[0]], Event(event)): names[cell]
        for line in lines
        for event, cell in zip(head[1:], line[1:], strict=True)
        if cell != "-"
    }
    assert len(lines) == len(Annunciation)
    assert drawn == dict(LIFE)


def test_while_held_only_the_unseen_return_differs() -> None:
    """Nobody is asked to acknowledge what came and went without having annunciated."""
    differs = {step: to for step, to in LIFE_WHILE_HELD.items() if LIFE[step] is not to}
    assert differs == {(U, Event.CLEAR): N}


def test_every_event_has_its_place_in_one_table_only() -> None:
    places = [{event for _, event in LIFE}, set(PUTS_ON), set(TAKES_OFF), set(NOTES)]
    assert set[Event]().union(*places) == set(Event)
    assert sum(map(len, places)) == len(Event)


PATHS = {N: (), U: (Event.OCCUR,), A: (Event.OCCUR, Event.ACKNOWLEDGE), R: (Event.OCCUR, Event.CLEAR)}
HOLDS_ON = {Hold.OUT_OF_SERVICE: Event.TAKE_OUT, Hold.SUPPRESSED: Event.SUPPRESS, Hold.SHELVED: Event.SHELVE}
SETS_OF_HOLDS = [(), *((each,) for each in Hold), tuple(Hold)]


@pytest.mark.parametrize(("at", "holds", "event"), list(product(Annunciation, SETS_OF_HOLDS, Event)))
def test_what_is_in_the_table_happens_and_all_else_is_refused_and_changes_nothing(
    at: Annunciation, holds: tuple[Hold, ...], event: Event
) -> None:
    alert = after(NEW, *PATHS[at], *(HOLDS_ON[each] for each in holds))
    before = replace(alert)
    assert (alert.annunciation, alert.holds) == (at, holds)
    in_life = {
        (N, Event.OCCUR): U,
        (U, Event.CLEAR): N if holds else R,
        (U, Event.ACKNOWLEDGE): A,
        (A, Event.CLEAR): N,
        (R, Event.OCCUR): U,
        (R, Event.ACKNOWLEDGE): N,
    }
    on = {Event.SHELVE: Hold.SHELVED, Event.SUPPRESS: Hold.SUPPRESSED, Event.TAKE_OUT: Hold.OUT_OF_SERVICE}
    off = {
        Event.UNSHELVE: Hold.SHELVED,
        Event.SHELF_ENDS: Hold.SHELVED,
        Event.UNSUPPRESS: Hold.SUPPRESSED,
        Event.PUT_BACK: Hold.OUT_OF_SERVICE,
    }
    allowed = (
        event in {Event.COMMENT, Event.SET_WORK_ORDER}
        or (at, event) in in_life
        or (event in on and on[event] not in holds)
        or (event in off and off[event] in holds)
    )
    if not allowed:
        with pytest.raises(NotAllowedError, match=re.escape(alert.state.replace("_", " "))):
            advance(alert, act(event, 99))
        assert alert == before
        return
    transition = advance(alert, act(event, 99))
    assert alert == before
    assert transition.after is in_life.get((at, event), at)
    expected = {*holds} | {on[event]} if event in on else {*holds} - {off.get(event)}
    assert set(transition.holds) == expected


# What holds for every life


@given(LIVES)
def test_the_state_is_the_replay_of_its_transitions_from_wherever_one_starts(events: list[Event]) -> None:
    made, alerts = lived(events)
    for n in range(len(made) + 1):
        assert replay(made[:n], NEW) == alerts[n]
        assert replay(made[n:], alerts[n]) == alerts[-1]


@given(LIVES)
def test_transitions_follow_each_other_without_a_gap(events: list[Event]) -> None:
    made, alerts = lived(events)
    assert [each.seq for each in made] == list(range(1, len(made) + 1))
    for each, before, then in zip(made, alerts, alerts[1:], strict=False):
        assert (each.before, each.holds_before) == (before.annunciation, before.holds)
        assert (each.after, each.holds, each.priority) == (then.annunciation, then.holds, then.priority)


@given(LIVES)
def test_nothing_annunciates_while_it_is_held_and_only_what_is_unacknowledged(events: list[Event]) -> None:
    for each in lived(events)[0]:
        if each.annunciates:
            assert not each.holds
            assert each.after is U


@given(LIVES)
def test_whoever_is_owed_an_acknowledgement_was_told_of_it(events: list[Event]) -> None:
    """An alert that stands unacknowledged and is not held annunciated since it last became so, or was last held."""
    made, alerts = lived(events)
    told = False
    for each in made:
        if each.after is not U or each.holds:
            told = False
        told = told or each.annunciates
        if each.after is U and not each.holds:
            assert told
    assert alerts[-1].seq == len(made)


@given(LIVES)
def test_what_the_process_does_is_never_lost_to_a_hold(events: list[Event]) -> None:
    """With all holds taken off, an alert is active exactly where the condition is true."""
    true = False
    made, alerts = lived(events)
    for each, alert in zip(made, alerts[1:], strict=True):
        true = each.act.event is Event.OCCUR or (true and each.act.event is not Event.CLEAR)
        assert alert.active is true


@given(LIVES, st.permutations(list(HOLDS_ON.values())))
def test_holds_of_more_than_one_kind_go_on_and_come_off_in_any_order(
    events: list[Event], order: list[Event]
) -> None:
    bare = [event for event in events if event not in PUTS_ON and event not in TAKES_OFF]
    _, alerts = lived(bare)
    held = after(alerts[-1], *order)
    assert held.holds == tuple(Hold)
    assert held.state == Hold.OUT_OF_SERVICE
    for off in permutations([Event.UNSHELVE, Event.UNSUPPRESS, Event.PUT_BACK]):
        freed = after(held, *off)
        assert (freed.annunciation, freed.held) == (alerts[-1].annunciation, ())


@given(LIVES)
def test_occurrences_are_counted_and_the_newest_is_dated(events: list[Event]) -> None:
    made, alerts = lived(events)
    occurred = [each for each in made if each.act.event is Event.OCCUR]
    assert alerts[-1].occurrences == len(occurred)
    assert alerts[-1].since_ns == (occurred[-1].act.true_ns if occurred else None)


# Single steps


def test_a_life_from_normal_to_normal() -> None:
    alert = after(NEW, Event.OCCUR)
    assert (alert.state, alert.active, alert.stands) == ("unacknowledged", True, True)
    alert = applied(alert, advance(alert, act(Event.ACKNOWLEDGE, 5, by="M. Brandt")))
    assert (alert.state, alert.acknowledged_by, alert.acknowledged_ns) == (
        "acknowledged",
        "M. Brandt",
        NOW_NS + 5,
    )
    alert = after(alert, Event.CLEAR)
    assert (alert.state, alert.active, alert.stands) == ("normal", False, False)


def test_what_returns_unseen_waits_for_somebody_to_say_that_they_saw_it() -> None:
    alert = after(NEW, Event.OCCUR, Event.CLEAR)
    assert (alert.annunciation, alert.active, alert.stands) == (R, False, True)
    assert advance(alert, act(Event.OCCUR)).annunciates
    assert after(alert, Event.ACKNOWLEDGE).annunciation is N


def test_what_was_acknowledged_does_not_annunciate_again_when_a_hold_goes() -> None:
    alert = after(NEW, Event.OCCUR, Event.ACKNOWLEDGE, Event.SHELVE)
    transition = advance(alert, act(Event.SHELF_ENDS, 9))
    assert (transition.after, transition.annunciates) == (A, False)


def test_what_occurred_while_held_annunciates_when_the_last_hold_goes() -> None:
    alert = after(NEW, Event.SUPPRESS, Event.SHELVE)
    transition = advance(alert, act(Event.OCCUR, 5))
    assert not transition.annunciates
    alert = after(applied(alert, transition), Event.UNSUPPRESS)
    assert alert.holds == (Hold.SHELVED,)
    assert advance(alert, act(Event.UNSHELVE, 9)).annunciates


def test_what_came_and_went_while_held_leaves_nothing_to_acknowledge() -> None:
    assert after(NEW, Event.SUPPRESS, Event.OCCUR, Event.CLEAR, Event.UNSUPPRESS).annunciation is N


def test_an_occurrence_brings_its_facts_and_its_priority_and_clearing_keeps_them() -> None:
    facts = Facts(cause="Elongation 2.4 %", mend="Order a chain", value=2.4, u=0.02, setpoint=2.4, unit="%")
    occur = act(Event.OCCUR, facts=facts, priority=Priority.HIGH)
    alert = applied(NEW, advance(NEW, occur))
    assert (alert.facts, alert.priority) == (facts, Priority.HIGH)
    cleared = applied(alert, advance(alert, act(Event.CLEAR, 5)))
    assert (cleared.facts, cleared.priority, cleared.cleared_ns) == (facts, Priority.HIGH, NOW_NS + 5)
    again = applied(cleared, advance(cleared, act(Event.OCCUR, 9)))
    assert (again.priority, again.cleared_ns) == (Priority.HIGH, None)


def test_a_hold_tells_since_when_until_when_why_and_by_whom() -> None:
    alert = applied(NEW, advance(NEW, act(Event.SHELVE, 3, by="K. Oster", why="stop", until_ns=NOW_NS + 50)))
    (held,) = alert.held
    assert (held.hold, held.since_ns, held.until_ns, held.why, held.by) == (
        Hold.SHELVED,
        NOW_NS + 3,
        NOW_NS + 50,
        "stop",
        "K. Oster",
    )


def test_a_work_order_stays_until_the_condition_occurs_anew_from_normal() -> None:
    ordered = applied(
        after(NEW, Event.OCCUR, Event.ACKNOWLEDGE),
        advance(after(NEW, Event.OCCUR, Event.ACKNOWLEDGE), act(Event.SET_WORK_ORDER, 5, work_order="WO-7")),
    )
    assert after(ordered, Event.CLEAR).work_order == "WO-7"
    assert after(ordered, Event.CLEAR, Event.OCCUR).work_order == ""


@pytest.mark.parametrize("event", sorted(NEEDS_WHY))
@pytest.mark.parametrize("why", ["", "  \n"])
def test_an_act_that_others_will_ask_about_needs_a_reason(event: Event, why: str) -> None:
    with pytest.raises(ValueError, match="give a reason"):
        advance(NEW, act(event, why=why))


@pytest.mark.parametrize("event", sorted(NEEDS_UNTIL))
@pytest.mark.parametrize("until_ns", [None, NOW_NS, NOW_NS - 1])
def test_a_hold_of_a_person_needs_an_end_after_now(event: Event, until_ns: int | None) -> None:
    with pytest.raises(ValueError, match="instant after now"):
        advance(NEW, act(event, until_ns=until_ns))


def test_who_is_refused_is_told_what_is_so_and_who_did_it() -> None:
    alert = after(NEW, Event.OCCUR)
    alert = applied(alert, advance(alert, act(Event.ACKNOWLEDGE, 5, by="M. Brandt")))
    with pytest.raises(NotAllowedError, match=r"it is acknowledged \(acknowledge by M\. Brandt\)"):
        advance(alert, act(Event.ACKNOWLEDGE, 6))
    with pytest.raises(NotAllowedError, match=r"cannot clear: it is normal$"):
        advance(NEW, act(Event.CLEAR))


def test_a_transition_that_is_not_the_next_one_of_this_alert_is_refused() -> None:
    first = advance(NEW, act(Event.OCCUR))
    alert = applied(NEW, first)
    with pytest.raises(ValueError, match=r"transition 1 of kiln-car-2\.near does not follow 1"):
        applied(alert, first)
    with pytest.raises(ValueError, match="does not follow"):
        applied(begin("other", ConditionKind.NEAR), first)


def test_an_alert_of_a_drive_and_condition_has_one_id_for_ever() -> None:
    assert (
        alert_id_of("kiln-car-2", ConditionKind.AT_LIMIT)
        == "kiln-car-2.at_limit"
        == begin("kiln-car-2", ConditionKind.AT_LIMIT).alert_id
    )


@pytest.mark.parametrize("field", [each.name for each in fields(Alert)])
def test_an_alert_cannot_be_changed_in_place(field: str) -> None:
    with pytest.raises(FrozenInstanceError):
        setattr(NEW, field, None)


# The picture for people


def tables_of(section: str) -> list[list[list[str]]]:
    """The tables of one section of DEVELOPERS.md, as rows of cells without the line under the head."""
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    found = text.split(f"\n## {section}\n", 1)[1].split("\n## ", 1)[0]
    blocks = re.findall(r"(?:^\|.*\n)+", found, re.MULTILINE)
    return [
        [
            [cell.strip() for cell in line.strip("|").split("|")]
            for n, line in enumerate(block.splitlines())
            if n != 1
        ]
        for block in blocks
    ]


def test_the_tables_in_developers_md_are_those_of_the_code() -> None:
    life, holds = tables_of("The life of an alert")
    steps = [Event.OCCUR, Event.CLEAR, Event.ACKNOWLEDGE]
    assert life[0] == ["annunciation", *steps]
    assert life[1:] == [[at, *(LIFE.get((at, event), "-") for event in steps)] for at in Annunciation]
    assert [row[0] for row in holds[1:]] == list(Hold)
    for hold, on, off, needs in holds[1:]:
        assert [on] == [event for event, puts in PUTS_ON.items() if puts == hold]
        assert off.split(", ") == [event for event, takes in TAKES_OFF.items() if takes == hold]
        assert ("reason" in needs) is (Event(on) in NEEDS_WHY)
        assert (", " in needs) is (Event(on) in NEEDS_UNTIL)
