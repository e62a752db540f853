"""Pictures saved by themselves: whole documents with their styles and words, and their data."""

import csv
import io
import re
import xml.etree.ElementTree as ET
from base64 import b64encode
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web import pages_plan
from service.adapters.web.saved_style import style_of
from service.adapters.web.saving import Figure, standalone
from service.core.drive import Chain, Drive
from service.ports import SavedMap
from tests.adapters.web.plant import NOW_NS, Plant, a_plant, reading_of
from tests.bench.chain_map import PITCH_MM, Follower, Setting
from tests.contracts.given import NOON_NS

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "<script>alert(1)</script>\"'&"
PICTURE = '<svg class="chain-map" width="100%" height="80"><rect class="link-bar fault" width="4" height="9"/></svg>'


def a_figure(**more: Any) -> Figure:
    given: dict[str, Any] = {
        "name": "links",
        "title": "Links",
        "subject": "press-3",
        "svg": PICTURE,
        "head": ("a",),
    }
    return Figure(**given | more)


def text_of(document: str) -> str:
    return " ".join(ET.fromstring(document).itertext())  # noqa: S314


@given(title=st.text(st.characters(exclude_categories=["C"]), min_size=1, max_size=300))
def test_any_words_give_a_document_that_can_be_read(title: str) -> None:
    document, _ = standalone(a_figure(title=title, notes=(title,)), "Saved just now")
    root = ET.fromstring(document)  # noqa: S314
    assert root.tag == f"{SVG}svg"
    assert "".join(title.split()) in "".join(text_of(document).split())


def test_a_saved_picture_carries_its_styles_in_the_light_theme_and_nothing_to_fetch() -> None:
    document, style = standalone(a_figure(), "Saved just now")
    assert ".chain-map .link-bar{fill:#35566b" in style
    assert ".chain-map .fault{fill:#9a2c10" in style
    assert "var(" not in style
    assert "rem" not in style
    assert "href" not in document
    assert "url(" not in document


def test_only_rules_that_apply_are_taken_and_none_for_the_pointer() -> None:
    assert style_of('<svg class="trend"><rect class="hint"/></svg>').count(".hint") == 1
    assert style_of("<svg><rect/></svg>") == ""
    assert "@" not in style_of('<svg class="trend"><text class="minor">4</text></svg>')


def test_what_another_page_does_to_a_class_of_the_same_name_is_left_out() -> None:
    """`unseen` is a term of the budget that no reading can see, and elsewhere what only a screen reader is told."""
    style = style_of(
        '<svg class="plan-budget"><text class="plan-text unseen">4</text><rect class="bar unseen"/></svg>'
    )
    assert ".bar.unseen{fill:#7d5200" in style
    assert not re.search(r"clip|position|display|width:1px", style)


def test_a_picture_is_as_tall_as_its_words_need() -> None:
    few, _ = standalone(a_figure(), "Saved")
    many, _ = standalone(a_figure(notes=("word " * 120,)), "Saved")
    heights = [float(ET.fromstring(each).attrib["height"]) for each in (few, many)]  # noqa: S314
    assert heights[1] > heights[0] + 50


# The ways to the files


QUERY = pages_plan.EXAMPLE


def test_the_plan_is_saved_with_every_term(fake_plant: Plant) -> None:
    page = fake_plant.page(f"/plan?{QUERY}")
    for what in ("place", "absolute", "change"):
        assert f'href="/plan/{what}.svg?{QUERY.replace("&", "&amp;")}" download' in page
        answer = fake_plant.client.get(f"/plan/{what}.svg?{QUERY}")
        assert answer.headers["content-type"] == "image/svg+xml"
        assert "16B-1" in text_of(answer.text)
    rows = list(csv.reader(io.StringIO(fake_plant.client.get(f"/plan/absolute.csv?{QUERY}").text)))
    assert rows[0] == ["from", "u_pct", "kind"]
    assert rows[-1][0] == "in all"
    total = float(rows[-1][1])
    assert total == pytest.approx(sum(float(row[1]) ** 2 for row in rows[1:-1]) ** 0.5, rel=0.01)


def test_a_picture_that_there_is_not_says_where_to_look(fake_plant: Plant) -> None:
    for path in ("/plan/place.svg", f"/plan/other.svg?{QUERY}", "/plan/place.svg?pitch_mm=wide"):
        answer = fake_plant.client.get(path)
        assert answer.status_code == 404, path
        assert "open it from the page" in answer.json()["detail"]
    assert fake_plant.client.get(f"/plan/place.gif?{QUERY}").status_code == 422


def test_the_policy_of_a_saved_picture_allows_its_own_style_and_no_more(fake_plant: Plant) -> None:
    answer = fake_plant.client.get(f"/plan/place.svg?{QUERY}")
    style = re.search("<style>(.*?)</style>", answer.text)
    assert style is not None
    digest = b64encode(sha256(style[1].encode()).digest()).decode()
    policy = answer.headers["content-security-policy"]
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; frame-ancestors 'none'"
    assert answer.headers["content-disposition"].startswith('attachment; filename="plan-16B-1-place-2026-')


def test_the_map_is_saved_with_name_zone_and_time_and_a_row_for_each_link() -> None:
    setting = Setting(bad_joint_mm=1.0)
    with a_plant(zone=ZoneInfo("Europe/Berlin")) as plant:
        plant.ports.register.add_drive(
            Drive(drive_id="kiln-feed", name=f"Kiln {HOSTILE}", whole_pitches=24, driver_teeth=19)
        )
        plant.ports.register.fit_chain(
            Chain(
                chain_id="kiln-feed-a",
                drive_id="kiln-feed",
                designation="",
                pitch_mm=PITCH_MM,
                pitches_in_loop=setting.pitches,
                fitted_ns=NOON_NS,
            )
        )
        answer = plant.client.get("/drives/kiln-feed/map.svg")
        assert answer.status_code == 404
        assert "three laps" in answer.json()["detail"]
        plant.ports.readings.store([reading_of("kiln-feed", 3599, setting.elongation_pct)])
        folded = Follower(setting).laps(20).map
        plant.ports.chain_maps.save(
            SavedMap(chain_id="kiln-feed-a", folded_to_ns=NOW_NS, state=folded.to_dict())
        )
        document = plant.client.get("/drives/kiln-feed/map.svg").text
        table = plant.client.get("/drives/kiln-feed/map.csv")
        page = plant.page("/drives/kiln-feed/map")
    said = " ".join(text_of(document).split())
    assert f"Kiln {HOSTILE}" in said
    assert "Saved 10 Sep 2026, 15:00, CEST, UTC+02:00" in said
    assert "longer than its like" in said
    assert 'href="/drives/kiln-feed/map.csv"' in page
    rows = list(csv.DictReader(io.StringIO(table.text)))
    assert [row["link"] for row in rows] == [str(link) for link in range(setting.pitches)]
    assert sum(bool(row["finding"]) for row in rows) == 1
    assert table.headers["content-disposition"] == (
        'attachment; filename="kiln-feed-links-2026-09-10T1500.csv"'
    )
