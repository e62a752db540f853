"""A plant with shifts in which something of everything happened, to hand over."""

from dataclasses import replace
from datetime import time
from typing import Any

from service.core.alert import Act, Event, advance, applied, begin
from service.core.drive import Chain, Drive
from service.core.setpoint import ConditionKind, Facts, Priority
from service.core.shift import Pattern, Site, Slot
from service.core.work import Note, Work, WorkKind
from service.ports import DeviceState
from tests.adapters.web.plant import reading_of
from tests.contracts.given import A_BASELINE, A_HAND_VALUE, NOON_NS, Ports, S

MIN = 60 * S
H = 60 * MIN
# Late, 14:00 to 22:00 in Berlin on Thursday, 10 September 2026; noon UTC is its start.
FROM_NS, TO_NS = NOON_NS, NOON_NS + 8 * H
SITE = Site(
    site="Talheim",
    zone="Europe/Berlin",
    pattern=Pattern(
        (
            Slot(name="Early", starts=time(6), ends=time(14)),
            Slot(name="Late", starts=time(14), ends=time(22)),
            Slot(name="Night", starts=time(22), ends=time(6)),
        )
    ),
)


def stocked(ports: Ports, drives: int = 3, *, wordy: str = "") -> None:
    """Register drives of Talheim that ran the late shift, and have people and alerts leave something of each kind."""
    ports.sites.put(SITE)
    for n in range(1, drives + 1):
        _drive(ports, n, drives, wordy)
    for n in range(1, drives + 1):
        drive_id = f"press-{n}"
        _alert(ports, drive_id, ConditionKind.NEAR, FROM_NS + n * MIN, wordy)
        if n % 3 == 1:
            act = {"event": Event.SHELVE, "why": f"chain is ordered{wordy}", "until_ns": TO_NS + 3 * H}
            _alert(ports, drive_id, ConditionKind.APPROACHING, FROM_NS - H, wordy, act)
        if n % 3 == 2:
            act = {"event": Event.TAKE_OUT, "why": f"bracket is bent{wordy}", "until_ns": TO_NS + 48 * H}
            _alert(ports, drive_id, ConditionKind.SENSOR_MOVED, FROM_NS - H, wordy, act)
        kind = (WorkKind.LOCKED_OUT, WorkKind.REPAIR, WorkKind.INSPECTION)[n % 3]
        work = Work(
            drive_id=drive_id,
            kind=kind,
            since_ns=FROM_NS + H,
            by="M. Brandt",
            why=f"guard is off{wordy}",
            work_order="4711",
            recorded_ns=FROM_NS + H,
        )
        ports.work_in_hand.open(work)
        note = Note(
            site="Talheim",
            drive_id=drive_id,
            text=f"Oil drips, a tray stands below.{wordy}",
            true_ns=FROM_NS - n * H,
            recorded_ns=FROM_NS + n * MIN,
            by="M. Brandt",
        )
        ports.notes.add(note)
        chain_id = f"press-{n}-a"
        ports.hand_values.record(
            replace(
                A_HAND_VALUE,
                drive_id=drive_id,
                chain_id=chain_id,
                measured_ns=FROM_NS + n * MIN,
                recorded_ns=FROM_NS + 2 * H,
                note=f"two links left of the splice{wordy}",
            )
        )


def _drive(ports: Ports, n: int, drives: int, wordy: str) -> None:
    drive_id, chain_id = f"press-{n}", f"press-{n}-a"
    name = f"Press {n}" + (f", feed{wordy}"[:60].rstrip() if wordy else "")
    ports.register.add_drive(
        Drive(drive_id=drive_id, name=name, site="Talheim", area="Presses", line=str(n), whole_pitches=20)
    )
    chain = Chain(
        chain_id=chain_id,
        drive_id=drive_id,
        designation="16B-1",
        pitch_mm=25.4,
        fitted_ns=FROM_NS - 900 * H,
    )
    ports.register.fit_chain(chain)
    baseline = replace(
        A_BASELINE,
        chain_id=chain_id,
        taken_ns=FROM_NS + n * MIN,
        recorded_ns=FROM_NS + H,
        why=f"run in{wordy}",
    )
    ports.register.record_baseline(baseline)
    worn = 3.1 - 0.6 * (n - 1) / drives
    ports.readings.store(
        [
            reading_of(drive_id, 10 * at, worn + at / 300_000, seq=at)
            for at in (*range(-60, 0, 5), *range(2800, 2881, 5))
        ]
    )
    while ports.readings.roll_up():
        pass
    if n % 2:
        ports.devices.note([DeviceState(drive_id=drive_id, online=False, since_ns=TO_NS)])


def _alert(
    ports: Ports,
    drive_id: str,
    kind: ConditionKind,
    t_ns: int,
    wordy: str,
    then: dict[str, Any] | None = None,
) -> None:
    alert = begin(drive_id, kind)
    told = Facts(
        cause=f"Elongation is 2.74 ± 0.04 %{wordy}",
        mend=f"Set the date of the change.{wordy}",
        value=2.74,
        u=0.02,
        unit="%",
        at_drive=True,
    )
    acts = [Act(event=Event.OCCUR, true_ns=t_ns, recorded_ns=t_ns, facts=told, priority=Priority.MEDIUM)]
    if then is not None:
        acts.append(Act(by="A. Vogt", true_ns=t_ns + S, recorded_ns=t_ns + S, **then))
    for act in acts:
        step = advance(alert, act)
        alert = applied(alert, step)
        ports.alert_log.record(step, alert)
