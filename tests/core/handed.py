"""Facts of a night shift on two drives, to make handovers of."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from service.core.alert import Act, Alert, Event, Transition, advance, applied, begin
from service.core.drive import Drive
from service.core.hand import Known, hand_elongation
from service.core.handover import DriveFacts, Gain, HandFact, HandoverFacts
from service.core.health import Health, Sign, SignKind, Status
from service.core.setpoint import ConditionKind, Facts, Priority
from service.core.shift import Shift
from service.core.work import Note, Work, WorkKind
from tests.contracts.given import A_BASELINE, A_CHAIN, A_DRIVE, A_HAND_VALUE, MEASURED

S = 1_000_000_000
H = 3600 * S


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S


FROM_NS = utc("2026-10-24T20:00:00")  # the night in which clocks go back: 22:00 to 06:00 in Berlin, 9 h
TO_NS = utc("2026-10-25T05:00:00")
NIGHT = Shift(name="Night", from_ns=FROM_NS, to_ns=TO_NS)
EARLY = Shift(name="Early", from_ns=TO_NS, to_ns=TO_NS + 8 * H)
PRESS = replace(A_DRIVE, own_limit_pct=None, fixed_centres=False, parallel_strands=False)  # limit 3 %
SAW = Drive(drive_id="saw-1", name="Saw feed", site="Talheim", area="Saws", line="1")  # no sensors
CHAIN = replace(A_CHAIN, fitted_ns=FROM_NS - 100 * 24 * H)
NOTHING = Facts(cause="", mend="")


def press(**more: Any) -> DriveFacts:
    base: dict[str, Any] = {
        "drive": PRESS,
        "chain": CHAIN,
        "known": Known(elongation_pct=1.2, u_pct=0.02, t_ns=TO_NS - 10 * S),
        "newest": replace(MEASURED, t_ns=TO_NS - 10 * S, t0_ns=TO_NS - 20 * S),
        "health": Health(Status.GOOD),
        "gain": Gain(
            gained_pct=0.0042, u_pct=0.0011, start_pct=1.1958, end_pct=1.2, start_ns=FROM_NS, end_ns=TO_NS
        ),
        "joints": 812_345,
        "readings": 3240,
        "chain_before": CHAIN.chain_id,
    }
    return DriveFacts(**base | more)


def saw(**more: Any) -> DriveFacts:
    base: dict[str, Any] = {
        "drive": SAW,
        "chain": None,
        "known": None,
        "newest": None,
        "health": None,
        "gain": Gain(),
        "joints": 0,
        "readings": 0,
    }
    return DriveFacts(**base | more)


def facts(**more: Any) -> HandoverFacts:
    base: dict[str, Any] = {
        "site": "Talheim",
        "zone": "Europe/Berlin",
        "shift": NIGHT,
        "covers_from_ns": FROM_NS,
        "next_shift": EARLY,
        "drives": [press(), saw()],
        "chains": [CHAIN],
    }
    return HandoverFacts(**base | more)


def lived(kind: ConditionKind, *acts: Act, drive_id: str = "press-3") -> tuple[Alert, list[Transition]]:
    """An alert after these acts, and its transitions."""
    alert, steps = begin(drive_id, kind), []
    for number, act in enumerate(acts, 1):
        step = replace(advance(alert, act), number=number)
        steps.append(step)
        alert = applied(alert, step)
    return alert, steps


def occur(t_ns: int, *, recorded_ns: int | None = None, **more: Any) -> Act:
    told: dict[str, Any] = {
        "cause": "Elongation is 3.1 %, and the limit is 3.0 %",
        "mend": "Change the chain.",
        "value": 3.1,
        "u": 0.02,
        "unit": "%",
        "at_drive": True,
    }
    return Act(
        event=Event.OCCUR,
        true_ns=t_ns,
        recorded_ns=recorded_ns or t_ns + S,
        facts=Facts(**told | more),
        priority=Priority.HIGH,
    )


def act(event: Event, t_ns: int, by: str = "M. Brandt", **more: Any) -> Act:
    return Act(event=event, true_ns=t_ns, recorded_ns=t_ns, by=by, **more)


def full() -> HandoverFacts:
    """A night in which something of everything happened."""
    at_limit, raised = lived(ConditionKind.AT_LIMIT, occur(FROM_NS + H))
    silent, sensed = lived(
        ConditionKind.NO_READING,
        occur(FROM_NS + 2 * H, cause="No reading for 20 min", mend="Check the device.", value=20.0, unit="min"),
        act(Event.ACKNOWLEDGE, FROM_NS + 3 * H),
        act(Event.CLEAR, FROM_NS + 4 * H, by="linklag"),
    )  # fmt: skip
    near, _ = lived(
        ConditionKind.NEAR,
        occur(FROM_NS - 30 * H, value=2.7),
        act(Event.SHELVE, FROM_NS - 29 * H, why="chain is ordered", until_ns=TO_NS + 2 * H),
    )
    moved, _ = lived(
        ConditionKind.SENSOR_MOVED,
        act(
            Event.TAKE_OUT,
            FROM_NS - 40 * H,
            by="A. Vogt",
            why="new bracket comes on Monday",
            until_ns=TO_NS - H,
        ),
        drive_id="saw-1",
    )
    sign = Sign(
        kind=SignKind.SENSOR_SILENT,
        status=Status.FAILURE,
        since_ns=TO_NS - H,
        what="Sensor down is silent",
        mend="Check sensor down: supply, cable, plug, gap to the chain.",
        sensor="down",
    )
    value = replace(A_HAND_VALUE, measured_ns=FROM_NS + 5 * H, recorded_ns=FROM_NS + 6 * H)
    return facts(
        drives=[
            press(
                known=Known(elongation_pct=3.1, u_pct=0.02, t_ns=TO_NS - 10 * S),
                health=Health(Status.FAILURE, (sign,)),
                chain_before="press-3-z",
            ),
            saw(),
        ],
        alerts=[at_limit, near, silent, moved],
        transitions=[*raised, *sensed],
        hand=[HandFact(value, hand_elongation(value))],
        baselines=[replace(A_BASELINE, taken_ns=FROM_NS - H, recorded_ns=FROM_NS + 6 * H)],
        chains=[
            replace(CHAIN, fitted_ns=FROM_NS + 7 * H),
            replace(
                CHAIN,
                chain_id="press-3-z",
                fitted_ns=1,
                removed_ns=FROM_NS + 7 * H - S,
                removed_why="worn, to the limit",
            ),
        ],
        work=[
            Work(
                work_id=3,
                drive_id="saw-1",
                kind=WorkKind.REPAIR,
                since_ns=FROM_NS - 5 * H,
                by="A. Vogt",
                why="new bearings",
                work_order="4711",
                recorded_ns=FROM_NS - 5 * H,
            ),
            Work(
                work_id=4,
                drive_id="press-3",
                kind=WorkKind.LOCKED_OUT,
                since_ns=FROM_NS + H,
                by="M. Brandt",
                why="guard is off",
                recorded_ns=FROM_NS + H,
            ),
            Work(
                work_id=2,
                drive_id="press-3",
                kind=WorkKind.INSPECTION,
                since_ns=FROM_NS - H,
                by="M. Brandt",
                why="noise",
                recorded_ns=FROM_NS - H,
                closed_ns=FROM_NS + 2 * H,
                closed_by="M. Brandt",
                closed_why="a stiff joint, oiled",
                closed_recorded_ns=FROM_NS + 2 * H,
            ),
        ],
        notes=[
            Note(
                number=1,
                site="Talheim",
                drive_id="press-3",
                text="Oil drips, a tray stands below.\nEmpty it at 10:00.",
                true_ns=FROM_NS - 2 * H,
                recorded_ns=FROM_NS + H,
                by="M. Brandt",
            ),
            Note(
                number=2,
                site="Talheim",
                text='The "small" gate sticks, too; push',
                true_ns=FROM_NS + H,
                recorded_ns=FROM_NS + H,
                by="M. Brandt",
            ),
        ],
        previous_signed=False,
    )
