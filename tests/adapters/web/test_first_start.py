"""From the first start to the first drive, as the pages lead there: what an empty plant says, what arrives, one step to register."""

from dataclasses import replace

from tests.adapters.web.plant import Plant, add
from tests.contracts.given import A_REJECTION, A_SIGHTING
from tests.strategies import to_cbor, to_json


def test_an_empty_board_says_each_way_to_the_first_drive(plant: Plant) -> None:
    page = plant.page("/")
    for way in ("/refused", "/drives/new", "/import", "/plan"):
        assert f'href="{way}"' in page
        plant.page(way)
    assert 'id="arrivals" data-arrivals' in page
    assert "/static/arrivals.js" in page
    assert "not registered" not in page


def test_a_device_that_publishes_is_told_on_the_empty_board_and_on_the_settings(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    assert "1 drive publishes and is not registered" in plant.page("/")
    assert "1 more on the broker, not registered" in plant.page("/settings")


def test_one_step_registers_with_sensors_chain_and_joints(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    assert 'name="chain-pitches_in_loop"' in plant.page("/refused")
    answer = plant.post_form(
        "/refused/saw-1/register",
        whole_pitches="24", offset_pitches="0,1", **{"chain-designation": "08B-1", "chain-pitches_in_loop": "120"},
    )  # fmt: skip
    assert answer.status_code == 303
    assert plant.ports.register.chains("saw-1")[0].pitches_in_loop == 120
    assert plant.ports.register.drive("saw-1").offset_pitches == 0.1


def test_the_long_form_begins_with_the_site_that_all_others_have(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    assert 'name="site" value=""' in plant.page("/refused/saw-1/register")
    add(plant, "a", site="Talheim")
    assert 'name="site" value="Talheim"' in plant.page("/refused/saw-1/register")
    add(plant, "b", site="Eschbach")
    assert 'name="site" value=""' in plant.page("/refused/saw-1/register")


def test_a_refused_batch_shows_its_fields_against_the_contract_its_bytes_and_what_to_do(plant: Plant) -> None:
    batch = {"v": 9, "seq": 1, "colour": "<b>red</b>", "up": list(range(50))}
    for payload, form in ((to_json(batch), "JSON"), (to_cbor(batch), "CBOR")):
        plant.ports.refused.keep([replace(A_REJECTION, payload=payload, payload_bytes=len(payload))], [])
        page = plant.page(f"/refused/{plant.ports.refused.rejections()[0].number}")
        assert f"{form}, field by field" in page
        assert "send &#34;v&#34;: 1 in every batch" in page
        assert "&lt;b&gt;red&lt;/b&gt;" in page
        assert "50: 0, 1, 2, ..., 47, 48, 49" in page
        assert payload[:8].hex(" ") in page
        assert "What to do" in page


def test_an_empty_message_is_shown_as_that(plant: Plant) -> None:
    plant.ports.refused.keep([replace(A_REJECTION, payload=b"", payload_bytes=0)], [])
    page = plant.page(f"/refused/{plant.ports.refused.rejections()[0].number}")
    assert "the message was empty" in page
