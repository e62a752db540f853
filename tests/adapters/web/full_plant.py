"""A plant in which every page has something to show: for what has to hold of all pages."""

from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from service.core.drive import Baseline, Chain, Drive
from service.core.people import Role
from service.core.prognosis import Outcome
from service.core.reading import NotMeasured
from service.core.work import Work, WorkKind
from service.ports import DeviceState, SavedMap
from tests.adapters.web.alerted import with_alerts
from tests.adapters.web.client import Client
from tests.adapters.web.handed_plant import SITE, TO_NS, H, stocked
from tests.adapters.web.people_plant import HTTP, PeoplePlant
from tests.adapters.web.plant import ORIGIN, Plant, app_on, not_measured, reading_of
from tests.adapters.web.test_changes import STOP, sent, set_supply
from tests.adapters.web.test_forecasts import a_drive, foretold
from tests.adapters.web.test_lives import post, with_days, with_lives
from tests.adapters.web.test_routes import add as add_route
from tests.adapters.web.test_routes import waits
from tests.adapters.web.test_setpoints import put as put_setpoint
from tests.bench.chain_map import PITCH_MM, Follower, Setting
from tests.contracts.given import A_REJECTION, A_SIGHTING, FAKE, NOON_NS, Ports, S, a_store
from tests.core.running import Running
from tests.foretold import kept
from tests.test_look_at_pulses import keep

AT_NS = TO_NS + H  # an hour after the late shift of `handed_plant` ended
RUNNING = Running(elongation_pct=1.1, registered={"name": "Infeed 2", "site": "Talheim", "driven_teeth": 57})


@dataclass(slots=True)
class FullPlant:
    """A plant with people, full of everything, and the session of its administrator."""

    ports: Ports
    people: PeoplePlant = field(init=False)

    def __post_init__(self) -> None:
        app = app_on(self.ports, now_ns=lambda: AT_NS)
        plant = Plant(self.ports, app, Client(app, base_url=ORIGIN, raise_server_exceptions=False))
        fill(plant)
        self.people = PeoplePlant(self.ports, base_url=HTTP)
        self.people.now_ns = AT_NS
        for role in Role:
            self.people.add(role)
        self.people.token(Role.VIEWER, "alerts")
        self.people.session("admin")


def a_full_store() -> AbstractContextManager[Ports]:
    return a_store(FAKE)


def fill(plant: Plant) -> None:
    """Drives that run, stand, are worn out, silent and bare; alerts, work, forecasts, maps, lives, routes, refusals."""
    stocked(plant.ports, 2)
    plant.app.state.parts.hand_over.freeze_due(TO_NS + 60 * S, after_s=60)
    with_alerts(plant)
    with_days(plant)
    with_lives(plant)
    _settings(plant)
    _running(plant)
    _mapped(plant)
    _not_well(plant)
    _forecasts(plant)
    plant.ports.work_in_hand.open(
        Work(drive_id="kiln-car-2", kind=WorkKind.LOCKED_OUT, since_ns=AT_NS - H, by="M. Brandt", why="guard is off",
             work_order="4711", recorded_ns=AT_NS - H)
    )  # fmt: skip
    done: dict[str, Any] = {"at": "2026-08-20T11:00:00Z", "by": "A. Vogt"}
    post(plant, "/drives/saw/events", kind="lubricated", **done)
    post(plant, "/drives/saw/events", kind="lubricant_changed", lubricant="ISO VG 150", **done)
    post(plant, "/drives/saw/sprockets", place="driver", fitted="2026-06-01T00:00:00Z", note="new")
    plant.ports.refused.keep([A_REJECTION], [A_SIGHTING])


def _settings(plant: Plant) -> None:
    """Shifts, stops, prices, plans of hours, setpoints and routes, as people set them."""
    plant.ports.sites.put(replace(SITE, site="Lehmgrund"))
    sent(plant, "POST", "/stops", 201, json=STOP)
    set_supply(plant, lead_days=14, margin_days=6, chain_price=800.0, stop_hour_price=900.0, unplanned_h=4.0,
               currency="EUR", stock_number="K 4711")  # fmt: skip
    sent(plant, "PUT", "/duty-plans/saw", 200, json={"hours": [16, 16, 16, 16, 8, 0, 0], "why": "two shifts"})
    put_setpoint(plant, how={"scope": "site", "name": "Talheim"}, value=85.0, priority="high")
    add_route(plant, name="Work orders")
    waits(plant)


def _running(plant: Plant) -> None:
    """A drive whose batches are stored, the newest a second old."""
    plant.ports.register.add_drive(RUNNING.drive)
    plant.ports.register.fit_chain(RUNNING.chain)
    batches = RUNNING.batches()
    later_ns = AT_NS - S - batches[-1].end_ns
    keep(plant.ports, *(replace(each, t0_ns=each.t0_ns + later_ns) for each in batches))


def _mapped(plant: Plant) -> None:
    """A drive whose map shows a long joint."""
    setting = Setting(bad_joint_mm=1.0)
    loop = {"pitches_in_loop": setting.pitches, "pitch_mm": PITCH_MM}
    _register(plant, "kiln-feed", chain=loop, driver_teeth=19, driven_teeth=38)
    plant.ports.readings.store(
        [
            _now(
                "kiln-feed",
                setting.elongation_pct,
                since_pct=0.9,
                since_u_pct=0.004,
                baseline_taken_ns=NOON_NS,
            )
        ]
    )
    state = Follower(setting).laps(20).map.to_dict()
    plant.ports.chain_maps.save(SavedMap(chain_id="kiln-feed-a", folded_to_ns=AT_NS, state=state))


def _not_well(plant: Plant) -> None:
    """A drive over its limit, one whose sensor is silent, one that says good-bye, one without a chain, one retired."""
    _register(plant, "worn", name="Worn out")
    _register(plant, "silent")
    _register(plant, "gone")
    plant.ports.register.add_drive(Drive(drive_id="bare", whole_pitches=20))
    plant.ports.register.add_drive(Drive(drive_id="retired", retired_ns=AT_NS - H))
    plant.ports.readings.store([_now("worn", 3.2), _now("silent", 1.0, ago_s=60), _now("gone", 1.0)])
    silent = not_measured("silent", 0, NotMeasured.SENSOR_SILENT, up_pulses=331, down_pulses=0, seq=9)
    plant.ports.readings.store([replace(silent, t_ns=AT_NS - S, t0_ns=AT_NS - 11 * S)])
    plant.ports.devices.note([DeviceState(drive_id="gone", online=False, since_ns=AT_NS)])
    while plant.ports.readings.roll_up():
        pass


def _forecasts(plant: Plant) -> None:
    a_drive(plant, "stacker", name="Stacker", site="Talheim", line="3")
    foretold(plant, "stacker")
    plant.ports.prognoses.keep(
        [
            kept("press-1", 100.0, AT_NS - H),
            kept("press-2", 20.0, AT_NS - H),
            kept("worn", 1, AT_NS - H, outcome=Outcome.LIMIT_REACHED),
            kept("kiln-feed", 1, AT_NS - H, outcome=Outcome.NO_TREND_YET),
        ]
    )


def _register(
    plant: Plant, drive_id: str, *, chain: Mapping[str, Any] = MappingProxyType({}), **more: Any
) -> None:
    """A drive with a chain and a baseline."""
    drive = {"drive_id": drive_id, "whole_pitches": 20, "site": "Talheim", **more}
    plant.ports.register.add_drive(Drive(**drive))
    fitted = {"designation": "", "pitch_mm": 25.4, "fitted_ns": NOON_NS - 400 * 24 * H, **chain}
    plant.ports.register.fit_chain(Chain(chain_id=f"{drive_id}-a", drive_id=drive_id, **fitted))
    plant.ports.register.record_baseline(
        Baseline(chain_id=f"{drive_id}-a", pitches_between=20.0, pitches_between_u=0.001, elongation_pct=0.05,
                 elongation_u_pct=0.02, taken_ns=NOON_NS, recorded_ns=NOON_NS, recorded_by="who", why="new")
    )  # fmt: skip


def _now(drive_id: str, pct: float, *, ago_s: float = 1, **more: Any) -> Any:
    """A reading of just now."""
    t_ns = AT_NS - round(ago_s * S)
    return replace(reading_of(drive_id, 0, pct, **more), t_ns=t_ns, t0_ns=t_ns - 10 * S)
