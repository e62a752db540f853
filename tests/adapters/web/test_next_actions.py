"""The sentence on top of a drive's page: what there is to do next, with a link to where it is done."""

import html
import re
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from service.core.commission import BRACKET_TOUCHED, note_line
from service.core.drive import Baseline, Chain, Drive
from service.core.planned_stop import PlannedStop
from service.core.reading import NotMeasured
from service.core.supply import Supply, SupplyScope
from tests.adapters.web.plant import NOW_NS, Plant, a_plant, add, not_measured
from tests.contracts.given import NOON_NS, S
from tests.foretold import DAY_NS, kept

ID = "infeed"


@pytest.fixture
def plant() -> Iterator[Plant]:
    with a_plant() as opened:
        yield opened


def with_baseline(plant: Plant) -> None:
    plant.ports.register.record_baseline(
        Baseline(
            chain_id=f"{ID}-a", pitches_between=20.0, pitches_between_u=0.001, elongation_pct=0.05, elongation_u_pct=0.02,
            taken_ns=NOON_NS + S, recorded_ns=NOON_NS + 2 * S, recorded_by="who", why="new",
        )
    )  # fmt: skip


def at_wear(pct: float) -> Callable[[Plant], None]:
    def given(plant: Plant) -> None:
        add(plant, ID, pct)
        with_baseline(plant)

    return given


def bare(plant: Plant) -> None:
    plant.ports.register.add_drive(Drive(drive_id=ID, whole_pitches=20))


def without_sensors(plant: Plant) -> None:
    plant.ports.register.add_drive(Drive(drive_id=ID))
    plant.ports.register.fit_chain(
        Chain(chain_id=f"{ID}-a", drive_id=ID, designation="16B-1", pitch_mm=25.4, fitted_ns=NOON_NS)
    )


def retired(plant: Plant) -> None:
    bare(plant)
    plant.ports.register.change_drive(replace(plant.ports.register.drive(ID), retired_ns=NOW_NS))


def silent(plant: Plant) -> None:
    at_wear(1.0)(plant)
    plant.ports.readings.store(
        [
            not_measured(ID, 3599 + n / 10, NotMeasured.SENSOR_SILENT, up_pulses=300, down_pulses=0, seq=n)
            for n in range(1, 9)
        ]
    )


def touched(plant: Plant) -> None:
    at_wear(1.0)(plant)
    note = note_line(NOW_NS - 60 * S, "who", f"{BRACKET_TOUCHED}: bolt")
    plant.ports.register.change_drive(replace(plant.ports.register.drive(ID), note=note))


def sentence(plant: Plant) -> tuple[str, str]:
    """What the page says, and where its link leads."""
    page = plant.page(f"/drives/{ID}")
    part = page[page.index('id="next-action"') :].split("</p>")[0].partition(">")[2]
    link = re.search(r'href="([^"]+)"', part)
    return " ".join(html.unescape(re.sub("<[^>]+>", "", part)).split()), link[1] if link else ""


@pytest.mark.parametrize(
    ("given", "said", "to"),
    [
        (bare, "enter the chain that is on it", "/chain"),
        (at_wear(3.2), "plan the change of the chain now", "/change"),
        (at_wear(2.999), "the limit lies within the uncertainty", "/hand"),
        (without_sensors, "nobody did yet, and there are no sensors", "/hand"),
        (lambda plant: add(plant, ID), "no number ever came from this drive", "/commission"),
        (lambda plant: add(plant, ID, 1.0), "take the first baseline", "/commission"),
        (touched, "a bracket was touched since the last", "/commission"),
        (silent, "mend the sensing", "#sensors"),
        (retired, "this drive is retired", "#settings"),
        (at_wear(1.0), "When the chain is due cannot be told yet", ""),
    ],
)
def test_what_there_is_to_do_next_stands_on_top_with_its_link(
    plant: Plant, given: Callable[[Plant], None], said: str, to: str
) -> None:
    given(plant)
    words, link = sentence(plant)
    assert said in words
    assert link == (to if to.startswith("#") or not to else f"/drives/{ID}{to}")
    assert words.count(". ") <= 1


def due_in(plant: Plant, days: float, *, lead_days: int | None = 14, stop_in: float | None = None) -> None:
    """A chain whose limit comes in so many days as likely as not, with what it takes to get another."""
    at_wear(1.0)(plant)
    plant.ports.prognoses.keep([kept(ID, days, NOW_NS)])
    if lead_days is not None:
        supply = Supply(
            scope=SupplyScope.DRIVE, name=ID, lead_days=lead_days, margin_days=0, by="who", at_ns=NOW_NS
        )
        plant.ports.supplies.put(supply)
    if stop_in is not None:
        starts_ns = NOW_NS + round(stop_in * DAY_NS)
        plant.ports.planned_stops.add(
            PlannedStop(
                name="Summer <stop>",
                site="",
                starts_ns=starts_ns,
                ends_ns=starts_ns + DAY_NS,
                by="who",
                recorded_ns=NOW_NS,
            )
        )


def test_until_it_is_to_be_ordered_there_is_nothing_to_do(plant: Plant) -> None:
    due_in(plant, 100)
    words, link = sentence(plant)
    assert (
        words == "Nothing to do until Sun 15 Nov 2026. What comes then."
    )  # 80 days, one chance in ten, less 14 days
    assert link == f"/drives/{ID}/change"


def test_within_the_lead_time_it_is_to_be_ordered(plant: Plant) -> None:
    due_in(plant, 100, lead_days=90)
    words, link = sentence(plant)
    assert words.startswith("Next: order the new chain today, unless it is; it was to be ordered by ")
    assert link == f"/drives/{ID}/change"


def test_without_a_lead_time_the_stop_is_what_comes_next_and_its_name_is_text(plant: Plant) -> None:
    due_in(plant, 100, lead_days=None, stop_in=75)
    assert (
        sentence(plant)[0] == "Nothing to do until Tue 24 Nov 2026: then change the chain in Summer <stop>."
    )
    assert "Summer <stop>" not in plant.page(f"/drives/{ID}")


def test_where_the_risk_is_passed_the_change_is_due_though_the_limit_is_not_reached(plant: Plant) -> None:
    at_wear(2.5)(plant)
    plant.ports.prognoses.keep([kept(ID, 10, NOW_NS - 9 * DAY_NS)])
    assert "plan the change of the chain now" in sentence(plant)[0]
