"""The drawing on a drive's page: it stands there with its lengths, says what is supposed, and can be had as a file."""

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest

from service.core.drive import Chain, Drive
from service.core.supply import Supply, SupplyScope
from tests.adapters.web.plant import Plant, a_plant
from tests.contracts.given import NOON_NS
from tests.core.test_side_view import a_chain, a_drive


@pytest.fixture
def plant() -> Iterator[Plant]:
    with a_plant() as opened:
        yield opened


def fitted(plant: Plant, drive: Drive, chain: Chain | None) -> None:
    plant.ports.register.add_drive(drive)
    if chain is not None:
        plant.ports.register.fit_chain(chain)


def section(plant: Plant, **drive_and_chain: Any) -> str:
    """The section of the page, blanks made plain."""
    chain = drive_and_chain.pop("chain", {})
    fitted(
        plant,
        a_drive(**drive_and_chain),
        None if chain is None else a_chain(**{"fitted_ns": NOON_NS, **chain}),
    )
    page = plant.page("/drives/feeder")
    found = page[page.index('<section id="drawing"') :].split("</section>")[0]
    return " ".join(found.replace("\N{NO-BREAK SPACE}", " ").split())


def test_the_drive_is_drawn_with_its_lengths_in_both_units(plant: Plant) -> None:
    text = section(plant)
    assert '<svg class="drawing"' in text
    assert "25.4 mm (1 in)" in text
    assert "19 teeth, pitch circle 154.3 mm (6.08 in)" in text
    assert "100 pitches, 2540 mm (100 in)" in text
    assert "20.25 pitches apart, 514.4 mm (20 1/4 in)" in text
    assert "760 mm (29.9 in) from up, 245.6 mm (9.67 in) from down" in text
    assert "supposals" not in text


@pytest.mark.parametrize(
    ("drive", "said"),
    [
        ({"driver_teeth": None}, "The teeth of the driver are not registered; 38 are drawn, dashed."),
        (
            {"driven_teeth": None},
            "The teeth of the driven sprocket are not registered; 19 are drawn, dashed.",
        ),
        (
            {"chain": {"pitches_in_loop": None}},
            "Neither the centre distance nor the pitches of the loop are registered",
        ),
        ({"up_to_driver_mm": None}, "they are drawn in the middle of the tight strand, dashed"),
        ({"up_to_driver_mm": 300.0}, "down does not look at the straight strand"),
        ({"up_to_driver_mm": 3000.0}, "up does not look at the straight strand"),
        (
            {"chain": {"designation": "LH1623"}},
            "Leaf chain has no sprockets: a piece of its strand is drawn.",
        ),
        (
            {"driver_teeth": None, "driven_teeth": None, "chain": {"pitches_in_loop": None}},
            "No teeth are registered, so only a piece of the strand is drawn.",
        ),
        ({"chain": {"pitches_in_loop": 40}}, "40 pitches are too few for these teeth"),
    ],
)
def test_what_is_not_registered_or_does_not_go_together_is_said_with_what_to_do(
    plant: Plant, drive: dict[str, Any], said: str
) -> None:
    text = section(plant, **drive)
    assert said in text
    assert '<svg class="drawing"' in text


@pytest.mark.parametrize(
    ("centres_mm", "said"),
    [
        (
            1200.0,
            "Centres, teeth and loop do not go together:</b> these centres ask for 123.2 pitches, 100 are registered.",
        ),
        (200.0, "The centre distance under Supply is too short:"),
    ],
)
def test_centres_given_under_supply_are_drawn_or_doubted(plant: Plant, centres_mm: float, said: str) -> None:
    plant.ports.register.add_drive(a_drive())
    supply = Supply(
        scope=SupplyScope.DRIVE, name="feeder", centre_distance_mm=centres_mm, by="who", at_ns=NOON_NS
    )
    plant.ports.supplies.put(supply)
    plant.ports.register.fit_chain(a_chain(fitted_ns=NOON_NS))
    text = " ".join(plant.page("/drives/feeder").replace("\N{NO-BREAK SPACE}", " ").split())
    assert said in text


def test_without_a_chain_there_is_no_scale_and_no_drawing(plant: Plant) -> None:
    assert "<svg" not in section(plant, chain=None)
    answer = plant.client.get("/drives/feeder/drawing.svg")
    assert answer.status_code == 404
    assert "enter the chain first" in answer.json()["detail"]


def test_the_drawing_can_be_had_as_a_file_and_its_places_as_csv(plant: Plant) -> None:
    fitted(plant, a_drive(), a_chain(fitted_ns=NOON_NS))
    svg = plant.client.get("/drives/feeder/drawing.svg")
    assert svg.status_code == 200
    assert svg.headers["content-type"].startswith("image/svg+xml")
    assert ".cog{" in svg.text
    assert "var(" not in svg.text
    rows = list(csv.DictReader(io.StringIO(plant.client.get("/drives/feeder/drawing.csv").text)))
    assert [row["what"] for row in rows[:4]] == ["driven shaft", "driver shaft", "up", "down"]
    assert len([row for row in rows if row["what"] == "joint"]) == 100


def test_the_places_of_a_strand_are_those_along_it(plant: Plant) -> None:
    fitted(plant, a_drive(), a_chain(fitted_ns=NOON_NS, designation="LH1623"))
    rows = list(csv.DictReader(io.StringIO(plant.client.get("/drives/feeder/drawing.csv").text)))
    up, down = (float(row["x_mm"]) for row in rows[:2])
    assert down - up == pytest.approx(20.25 * 25.4)
