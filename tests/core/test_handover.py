"""The document of a shift: what is in it, what is late, what the next shift must do; and that it is frozen and signed."""

import hashlib
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.alert import Event
from service.core.condition_words import ENGLISH
from service.core.drive import Drive
from service.core.elongation import temperature_correction_pct
from service.core.fields import FieldsRefusedError
from service.core.hand import Known
from service.core.handover import (
    ROWS_MAX,
    AlreadySignedError,
    Gain,
    Handover,
    Head,
    Moved,
    Signature,
    SignRole,
    canonical,
    check_signature,
    make_content,
    sha256_of,
    wear_gained,
)
from service.core.health import Health, Sign, SignKind, Status
from service.core.reading import Reading
from service.core.setpoint import ConditionKind
from service.core.work import Note, Work, WorkKind
from tests.contracts.given import A_DRIVE, MEASURED
from tests.core.handed import (
    CHAIN,
    EARLY,
    FROM_NS,
    NIGHT,
    PRESS,
    TO_NS,
    H,
    S,
    act,
    facts,
    full,
    lived,
    occur,
    press,
    saw,
)


def kinds(content: dict[str, Any]) -> list[tuple[str, str]]:
    return [(row["kind"], row["drive_id"]) for row in content["to_do"]]


def test_a_quiet_night_says_its_bounds_its_wear_and_nothing_to_do() -> None:
    content = make_content(facts())
    assert (content["from"], content["to"]) == ("2026-10-24T20:00:00.000000Z", "2026-10-25T05:00:00.000000Z")
    assert content["next_shift"] == {
        "name": "Early",
        "from": "2026-10-25T05:00:00.000000Z",
        "to": "2026-10-25T13:00:00.000000Z",
    }
    assert [row["drive_id"] for row in content["wear"]] == ["press-3"]  # the saw has no sensors
    assert content["wear"][0]["gained_pct"] == 0.0042
    assert content["wear"][0]["joints"] == 812_345
    assert content["wear"][0]["name"] == "Feed chain"
    assert content["drives"] == {"press-3": {"chain_id": "press-3-a"}, "saw-1": {"chain_id": None}}
    lists = {name: rows for name, rows in content.items() if isinstance(rows, list)}
    assert {name for name, rows in lists.items() if rows} == {"wear"}
    assert "forecasts" not in content
    assert content["more"] == {}


def test_what_the_next_shift_must_do_is_derived_the_most_pressing_first() -> None:
    content = make_content(full())
    assert kinds(content) == [
        ("locked_out", "press-3"),
        ("change_chain", "press-3"),
        ("answer", "press-3"),
        ("sensing", "press-3"),
        ("shelf_ends", "press-3"),
        ("review", "saw-1"),
        ("work", "saw-1"),
        ("sign", ""),
    ]
    by_kind = {row["kind"]: row for row in content["to_do"]}
    assert "whoever hung the lock" in by_kind["locked_out"]["do"]
    assert by_kind["change_chain"]["why"] == "3.10 % of 3.00 %"
    assert (
        by_kind["answer"]["do"] == f"Acknowledge: {ENGLISH[ConditionKind.AT_LIMIT].title}. Change the chain."
    )
    assert by_kind["shelf_ends"]["due"] == "2026-10-25T07:00:00.000000Z"
    assert "is overdue" in by_kind["review"]["do"]
    assert by_kind["work"]["why"] == "new bearings, work order 4711; A. Vogt"
    assert {kind for kind, row in by_kind.items() if row["at_drive"]} == {
        "locked_out", "change_chain", "answer", "sensing", "work",
    }  # fmt: skip


def test_alerts_are_told_as_raised_returned_standing_shelved_and_out_of_service() -> None:
    content = make_content(full())
    assert [(row["what"], row["when"]) for row in content["raised"]] == [
        ("at_limit", "2026-10-24T21:00:00.000000Z"),
        ("no_reading", "2026-10-24T22:00:00.000000Z"),
    ]
    assert [row["what"] for row in content["returned"]] == ["no_reading"]
    assert [(row["what"], row["state"]) for row in content["standing"]] == [("at_limit", "unacknowledged")]
    (shelved,) = content["shelved"]
    assert (shelved["why"], shelved["by"], shelved["until"]) == (
        "chain is ordered",
        "M. Brandt",
        "2026-10-25T07:00:00.000000Z",
    )
    (out,) = content["out_of_service"]
    assert (out["why"], out["by"], out["until"], out["active"]) == (
        "new bracket comes on Monday",
        "A. Vogt",
        "2026-10-25T04:00:00.000000Z",
        False,
    )


def test_what_was_true_before_and_came_late_is_marked_late() -> None:
    content = make_content(full())
    late = {
        (name, row["drive_id"])
        for name, rows in content.items()
        if isinstance(rows, list)
        for row in rows
        if row.get("late")
    }
    assert late == {("baselines", "press-3"), ("notes", "press-3")}
    _, steps = lived(ConditionKind.NEAR, occur(FROM_NS, recorded_ns=FROM_NS + H))
    assert [row["late"] for row in make_content(facts(transitions=steps))["raised"]] == [True]  # (from, to]
    _, steps = lived(ConditionKind.NEAR, occur(FROM_NS + 1))
    assert [row["late"] for row in make_content(facts(transitions=steps))["raised"]] == [False]


def test_what_happened_between_two_shifts_is_covered_and_not_late() -> None:
    weekend = FROM_NS - 10 * H
    note = Note(site="Talheim", text="x", true_ns=FROM_NS - H, recorded_ns=FROM_NS - H, by="x")
    content = make_content(facts(covers_from_ns=weekend, notes=[note]))
    assert content["covers_from"] == "2026-10-24T10:00:00.000000Z"
    assert [row["late"] for row in content["notes"]] == [False]


@pytest.mark.parametrize(
    ("pct", "u", "state", "todo"),
    [
        (2.39, 0.02, None, []),
        (2.41, 0.02, "near", []),
        (2.95, 0.02, "near", []),
        (2.97, 0.02, "within_uncertainty", ["measure"]),
        (3.0, 0.0, "at", ["change_chain"]),
    ],
)
def test_a_drive_is_listed_from_four_fifths_of_its_limit(
    pct: float, u: float, state: str | None, todo: list[str]
) -> None:
    content = make_content(facts(drives=[press(known=Known(elongation_pct=pct, u_pct=u, t_ns=TO_NS))]))
    assert [row["state"] for row in content["limit"]] == ([state] if state else [])
    assert [row["kind"] for row in content["to_do"]] == todo


def test_the_most_worn_is_listed_first() -> None:
    drives = [
        press(drive=replace(PRESS, drive_id=f"d{n}"), known=Known(elongation_pct=pct, u_pct=0.01, t_ns=TO_NS))
        for n, pct in enumerate((2.5, 3.2, 2.8))
    ]
    assert [row["drive_id"] for row in make_content(facts(drives=drives))["limit"]] == ["d1", "d2", "d0"]


def test_a_sensor_that_failed_and_a_drive_that_sent_nothing_are_to_be_seen_to() -> None:
    sign = Sign(kind=SignKind.NO_DATA, status=Status.FAILURE, since_ns=1, what="No data come", mend="Check.")
    failed = press(health=Health(Status.FAILURE, (sign,)))
    quiet = press(drive=replace(PRESS, drive_id="quiet"), newest=replace(MEASURED, t_ns=FROM_NS, t0_ns=1))
    spoke = press(drive=replace(PRESS, drive_id="spoke"), newest=replace(MEASURED, t_ns=FROM_NS + 1, t0_ns=1))
    content = make_content(facts(drives=[failed, quiet, spoke, saw()]))
    assert kinds(content) == [("sensing", "press-3"), ("no_reading", "quiet")]
    assert [(row["letter"], row["what"]) for row in content["sensing"]] == [("F", "No data come")]


def test_an_alert_that_has_gone_unseen_is_to_be_acknowledged_and_a_seen_one_is_not() -> None:
    gone, _ = lived(ConditionKind.NEAR, occur(FROM_NS + S), act(Event.CLEAR, FROM_NS + 2 * S, by="linklag"))
    seen, _ = lived(ConditionKind.AT_LIMIT, occur(FROM_NS + S), act(Event.ACKNOWLEDGE, FROM_NS + 2 * S))
    content = make_content(facts(alerts=[gone, seen]))
    assert [row["do"] for row in content["to_do"]] == [
        f"Acknowledge: {ENGLISH[ConditionKind.NEAR].title}, which has gone again."
    ]
    assert [row["state"] for row in content["standing"]] == ["returned_unacknowledged", "acknowledged"]


def test_a_shelf_that_outlasts_the_next_shift_is_not_to_be_seen_to_yet() -> None:
    until_ns = EARLY.to_ns + 1
    held, _ = lived(
        ConditionKind.NEAR,
        occur(FROM_NS - H),
        act(Event.SHELVE, FROM_NS - H, why="ordered", until_ns=until_ns),
    )
    content = make_content(facts(alerts=[held]))
    assert content["to_do"] == []
    assert len(content["shelved"]) == 1
    assert content["standing"] == []


def test_work_that_was_recorded_as_done_after_the_cut_off_was_in_hand() -> None:
    work = Work(
        work_id=1,
        drive_id="press-3",
        kind=WorkKind.REPAIR,
        since_ns=FROM_NS + H,
        by="x",
        why="y",
        recorded_ns=FROM_NS + H,
        closed_ns=TO_NS - H,
        closed_by="z",
        closed_why="done",
        closed_recorded_ns=TO_NS + 1,
    )
    (row,) = make_content(facts(work=[work]))["work"]
    assert (row["open"], row["closed"], row["closed_by"]) == (True, None, "")
    (row,) = make_content(facts(work=[work], shift=replace(EARLY), covers_from_ns=TO_NS))["work"]
    assert (row["open"], row["closed_by"], row["late"]) == (False, "z", True)


def test_a_chain_change_that_was_entered_late_shows_in_the_next_handover() -> None:
    first = make_content(facts())
    new = replace(CHAIN, chain_id="press-3-b", fitted_ns=TO_NS - H)
    old = replace(CHAIN, removed_ns=TO_NS - 2 * H, removed_why="worn")
    second = make_content(
        facts(
            shift=EARLY,
            covers_from_ns=TO_NS,
            next_shift=None,
            previous=first,
            chains=[old, new],
            drives=[press(chain=new, chain_before="press-3-b")],
        )
    )
    assert [(row["what"], row["chain_id"], row["late"], row["why"]) for row in second["chains"]] == [
        ("taken_off", "press-3-a", True, "worn"),
        ("fitted", "press-3-b", True, "from stock"),
    ]
    third = make_content(
        facts(
            shift=replace(EARLY, from_ns=EARLY.to_ns, to_ns=EARLY.to_ns + 8 * H),
            covers_from_ns=EARLY.to_ns,
            previous=second,
            chains=[old, new],
            drives=[press(chain=new, chain_before="press-3-b")],
        )
    )
    assert third["chains"] == []


def test_an_elongation_that_the_last_handover_told_otherwise_is_said() -> None:
    first = make_content(facts())
    gain = Gain(gained_pct=0.001, u_pct=0.001, start_pct=1.215, end_pct=1.216, start_ns=TO_NS, end_ns=TO_NS)
    after: dict[str, Any] = {"shift": EARLY, "covers_from_ns": TO_NS, "previous": first}
    content = make_content(facts(**after, drives=[press(gain=gain)]))
    assert [(row["drive_id"], row["said_pct"], row["now_pct"]) for row in content["said_otherwise"]] == [
        ("press-3", 1.2, 1.215)
    ]
    same = make_content(facts(**after, drives=[press(gain=replace(gain, start_pct=1.2004))]))
    assert same["said_otherwise"] == []
    other_chain = press(gain=gain, chain=replace(CHAIN, chain_id="press-3-b"))
    assert make_content(facts(**after, drives=[other_chain]))["said_otherwise"] == []


def test_forecasts_that_moved_are_told_once_there_are_forecasts() -> None:
    moved = Moved(drive_id="press-3", before_ns=TO_NS + 50 * H, after_ns=TO_NS + 20 * H, why="wears faster")
    content = make_content(facts(moved=[moved]))
    assert [(row["drive_id"], row["why"]) for row in content["forecasts"]] == [("press-3", "wears faster")]
    assert make_content(facts(moved=[]))["forecasts"] == []


def test_long_lists_are_cut_and_say_how_many_more_there_were() -> None:
    notes = [
        Note(site="Talheim", text=f"note {n}", true_ns=FROM_NS + n, recorded_ns=FROM_NS + n, by="x")
        for n in range(1, ROWS_MAX + 8)
    ]
    content = make_content(facts(notes=notes))
    assert len(content["notes"]) == ROWS_MAX
    assert content["more"] == {"notes": 7}


# Wear gained

PLAIN = Drive(drive_id="press-3", whole_pitches=20, temp_range_k=15.0, load_u_pct=0.02)


def readings(t_ns: int, *values: float, **more: Any) -> list[Reading]:
    return [
        replace(MEASURED, t_ns=t_ns + n * 10 * S, t0_ns=t_ns + n * 10 * S - 1, elongation_pct=value, **more)
        for n, value in enumerate(values)
    ]


def test_wear_gained_is_the_difference_of_two_means_with_what_they_do_not_share() -> None:
    """By hand: means 1.001 and 1.006. Temperature and load were sent, so only scatter is left."""
    start = readings(FROM_NS, 1.000, 1.002, 1.000, 1.002)
    end = readings(TO_NS, 1.005, 1.007, 1.005, 1.007)
    gain = wear_gained(PLAIN, start, end)
    assert gain.gained_pct == pytest.approx(0.005)
    assert gain.start_pct == pytest.approx(1.001)
    assert gain.end_pct == pytest.approx(1.006)
    assert (gain.start_ns, gain.end_ns) == (start[-1].t_ns, end[-1].t_ns)
    assert gain.u_pct is not None
    assert 0 <= gain.u_pct < 0.003


def test_temperature_and_load_that_were_not_sent_count_at_both_ends() -> None:
    same = [1.0] * 8
    one_t = temperature_correction_pct(PLAIN, None, None)[1]
    without = {"temp_c": None, "load_n": None}
    gain = wear_gained(PLAIN, readings(FROM_NS, *same, **without), readings(TO_NS, *same, **without))
    assert gain.u_pct == pytest.approx((2 * one_t**2 + 2 * 0.02**2) ** 0.5)
    sent = wear_gained(PLAIN, readings(FROM_NS, *same), readings(TO_NS, *same))
    assert sent.u_pct == pytest.approx(0, abs=1e-12)


@given(offset=st.floats(-0.5, 0.5))
def test_what_both_ends_have_in_common_leaves_the_wear_gained_alone(offset: float) -> None:
    start, end = [1.0, 1.01, 1.0, 1.01, 1.02], [1.1, 1.11, 1.1, 1.13, 1.1]
    plain = wear_gained(PLAIN, readings(1, *start), readings(TO_NS, *end))
    moved = wear_gained(
        PLAIN, readings(1, *(e + offset for e in start)), readings(TO_NS, *(e + offset for e in end))
    )
    assert moved.gained_pct == pytest.approx(plain.gained_pct, abs=1e-9)
    assert moved.u_pct == pytest.approx(plain.u_pct, abs=1e-9)


def test_without_readings_at_both_ends_or_over_a_new_baseline_no_wear_is_told() -> None:
    few, enough = readings(FROM_NS, 1.0, 1.0, 1.0), readings(TO_NS, 1.0, 1.0, 1.0, 1.0)
    assert wear_gained(A_DRIVE, few, enough).why == "too few readings at the start of the shift"
    assert wear_gained(A_DRIVE, enough, few).why == "too few readings at the end of the shift"
    other = readings(TO_NS, 1.0, 1.0, 1.0, 1.0, baseline_recorded_ns=5)
    gain = wear_gained(A_DRIVE, enough, other)
    assert (gain.why, gain.gained_pct) == ("the baseline changed meanwhile", None)


# Frozen


def test_the_same_content_gives_the_same_text_whatever_its_order_and_its_sha_is_that_of_its_utf_8() -> None:
    content = make_content(full())
    text = canonical(content)
    assert canonical(json.loads(text)) == text
    assert canonical(dict(reversed(content.items()))) == text
    assert sha256_of("Größe") == hashlib.sha256("Größe".encode()).hexdigest()
    head = Head(
        site="Talheim",
        shift="Night",
        from_ns=FROM_NS,
        to_ns=TO_NS,
        frozen_ns=TO_NS,
        frozen_by="x",
        sha256=sha256_of(text),
    )
    assert Handover(head, text).intact
    assert not Handover(head, text.replace("press-3", "press-4")).intact
    assert Handover(head, text).told == content


def test_a_number_that_is_none_is_never_frozen() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        canonical({"u": float("nan")})


# Signed


def signature(role: SignRole, name: str = "M. Brandt", **more: Any) -> Signature:
    base: dict[str, Any] = {
        "handover": 1,
        "role": role,
        "name": name,
        "by": "brandt",
        "at_ns": 1,
        "sha256": "",
    }
    return Signature(**base | more)


GIVEN = signature(SignRole.GIVER)
TAKEN = signature(SignRole.TAKER, "A. Vogt")


def test_the_giver_signs_first_then_another_person_who_read_it_back() -> None:
    check_signature([], GIVEN, read_back=False)
    check_signature([GIVEN], TAKEN, read_back=True)


@pytest.mark.parametrize(
    ("signed", "wanted", "read_back", "error", "told"),
    [
        ([], TAKEN, True, AlreadySignedError, "the giver has not signed yet"),
        ([GIVEN], TAKEN, False, FieldsRefusedError, "read it back"),
        ([GIVEN], replace(TAKEN, name="m. brandt"), True, FieldsRefusedError, "another person takes it"),
        ([GIVEN], GIVEN, True, AlreadySignedError, "M. Brandt, who signed already"),
        ([GIVEN, TAKEN], TAKEN, True, AlreadySignedError, "A. Vogt, who signed already"),
    ],
)
def test_a_signature_out_of_turn_is_refused(
    signed: list[Signature], wanted: Signature, read_back: int, error: type[Exception], told: str
) -> None:
    with pytest.raises(error, match=told):
        check_signature(signed, wanted, read_back=bool(read_back))


def test_a_signature_needs_a_name() -> None:
    with pytest.raises(FieldsRefusedError, match="write your name"):
        signature(SignRole.GIVER, "")


def test_the_night_in_which_clocks_go_back_is_told_to_the_second() -> None:
    assert (NIGHT.to_ns - NIGHT.from_ns) // H == 9
    _, steps = lived(ConditionKind.NEAR, occur(TO_NS), act(Event.CLEAR, TO_NS, by="linklag"))
    content = make_content(facts(transitions=steps))
    assert content["raised"][0]["when"] == content["to"] == "2026-10-25T05:00:00.000000Z"
