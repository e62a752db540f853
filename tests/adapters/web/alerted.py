"""Drives of a brickworks with alerts in many states, for tests of API and pages."""

from typing import Any

from service.annunciator import Advanced, Annunciator
from service.core.alert import Act, Event
from service.core.drive import Drive
from service.core.setpoint import ConditionKind, Facts, Priority
from tests.adapters.web.plant import NOW_NS, Plant
from tests.contracts.given import DAY_NS, S

K = ConditionKind
KILN = Drive(
    drive_id="kiln-car-2",
    name="Kiln car pusher 2",
    site="Lehmgrund",
    area="Kiln",
    line="B",
    whole_pitches=20,
)
CUTTER = Drive(
    drive_id="cutter-1", name="Cutter feed", site="Lehmgrund", area="Forming", line="A", whole_pitches=24
)
HOIST = Drive(drive_id="hoist-4", name="Hoist <4>", site="Sandfeld", area="Yard", whole_pitches=16)
NEAR = Facts(
    cause="The newest readings lie at 91.2 % of the limit.",
    mend="Order a chain, and change it at the next stop.",
    value=91.2,
    u=0.4,
    setpoint=90.0,
    unit="% of the limit",
    at_drive=True,
)
OFFLINE = Facts(cause="The device says nothing any more.", mend="Look at its supply and its network.")


def with_drives(plant: Plant) -> None:
    for drive in (KILN, CUTTER, HOIST):
        plant.ports.register.add_drive(drive)


def happen(plant: Plant, drive_id: str, kind: ConditionKind, event: Event, **more: Any) -> Advanced:
    """Let something happen to an alert, a minute ago unless it says otherwise."""
    at_ns = more.pop("at_ns", NOW_NS - 60 * S)
    act = Act(event=event, **{"true_ns": at_ns, "recorded_ns": at_ns} | more)
    return Annunciator(plant.ports.alert_log).advance(drive_id, kind, act)


def occur(
    plant: Plant,
    drive_id: str = "kiln-car-2",
    kind: ConditionKind = K.NEAR,
    facts: Facts = NEAR,
    priority: Priority = Priority.MEDIUM,
    **more: Any,
) -> Advanced:
    return happen(plant, drive_id, kind, Event.OCCUR, facts=facts, priority=priority, **more)


def with_alerts(plant: Plant) -> None:
    """One alert in each state: three stand on the kiln car, two on the cutter, one on the hoist; one is over."""
    with_drives(plant)
    occur(plant, at_ns=NOW_NS - 3 * DAY_NS)
    happen(plant, "kiln-car-2", K.NEAR, Event.ACKNOWLEDGE, by="m.brandt", at_ns=NOW_NS - 2 * DAY_NS)
    happen(plant, "kiln-car-2", K.NEAR, Event.SET_WORK_ORDER, by="m.brandt", work_order="WO-4711")
    occur(plant, "kiln-car-2", K.AT_LIMIT, priority=Priority.HIGH)
    occur(plant, "kiln-car-2", K.BAD_JOINT, priority=Priority.LOW)
    happen(plant, "kiln-car-2", K.BAD_JOINT, Event.CLEAR)
    occur(plant, "cutter-1", K.DEVICE_OFFLINE, OFFLINE, Priority.LOW)
    happen(
        plant,
        "cutter-1",
        K.DEVICE_OFFLINE,
        Event.SHELVE,
        by="k.oster",
        why="network is rebuilt",
        until_ns=NOW_NS + DAY_NS,
    )
    happen(
        plant,
        "cutter-1",
        K.NO_READING,
        Event.TAKE_OUT,
        by="k.oster",
        why="bracket off",
        until_ns=NOW_NS + 9 * DAY_NS,
    )
    occur(plant, "hoist-4", K.SENSING_FAILED, OFFLINE)
    happen(plant, "hoist-4", K.SENSING_FAILED, Event.SUPPRESS, why="the drive stands")
    occur(plant, "hoist-4", K.SENSOR_MOVED, OFFLINE)
    happen(plant, "hoist-4", K.SENSOR_MOVED, Event.ACKNOWLEDGE, by="k.oster")
    happen(plant, "hoist-4", K.SENSOR_MOVED, Event.CLEAR)
