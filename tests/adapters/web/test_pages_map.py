"""The page of a chain's map: what stands out is told with its caution, and times are those of the plant."""

from zoneinfo import ZoneInfo

import pytest

from service.core.drive import Chain, Drive
from service.ports import SavedMap
from tests.adapters.web.plant import NOW_NS, a_plant, reading_of
from tests.bench.chain_map import PITCH_MM, Follower, Setting
from tests.contracts.given import NOON_NS


def page_of(setting: Setting, path: str = "/drives/kiln-feed/map") -> str:
    """The page of a chain that ran 20 laps, in a plant whose clock is two hours ahead of UTC."""
    chain = Chain(
        chain_id="kiln-feed-a",
        drive_id="kiln-feed",
        designation="",
        pitch_mm=PITCH_MM,
        pitches_in_loop=setting.pitches,
        fitted_ns=NOON_NS,
    )
    folded = Follower(setting).laps(20).map
    with a_plant(zone=ZoneInfo("Europe/Berlin")) as plant:
        plant.ports.register.add_drive(
            Drive(drive_id="kiln-feed", name="Kiln feed", whole_pitches=24, driver_teeth=19)
        )
        plant.ports.register.fit_chain(chain)
        plant.ports.readings.store([reading_of("kiln-feed", 3599, setting.elongation_pct)])
        plant.ports.chain_maps.save(
            SavedMap(chain_id=chain.chain_id, folded_to_ns=NOW_NS, state=folded.to_dict())
        )
        return plant.page(path)


@pytest.fixture(scope="module")
def faulty() -> str:
    return page_of(Setting(bad_joint_mm=1.0))


def test_a_long_joint_is_told_with_its_caution(faulty: str) -> None:
    assert "mm (U = " in faulty
    assert "longer than its like" in faulty
    assert "Before anyone goes to the chain" in faulty
    assert "▲ stands out" in faulty


def test_the_time_of_the_newest_batch_is_that_of_the_plant(faulty: str) -> None:
    assert "newest batch 10 Sep 2026, 15:00" in faulty
    assert "13:00:00" not in faulty


def test_what_stands_out_is_told_on_the_drives_page_too_and_leads_to_the_map() -> None:
    page = page_of(Setting(bad_joint_mm=1.0), "/drives/kiln-feed")
    section = page[page.index('<section id="stands-out"') :].split("</section>")[0]
    assert "longer than its like" in section
    assert 'href="/drives/kiln-feed/map"' in section
    assert "what to mind at the drive" in section


def test_a_sound_chain_has_nothing_to_tell() -> None:
    assert "Show the chain link by link" not in page_of(Setting(), "/drives/kiln-feed")
    page = page_of(Setting())
    assert "No link, joint or section stands out" in page
    assert "▲" not in page


def test_the_map_can_be_had_as_a_ring_and_leads_from_one_to_the_other() -> None:
    strip, ring = page_of(Setting()), page_of(Setting(), "/drives/kiln-feed/map?shape=ring")
    assert 'class="chain-map ring"' in ring
    assert 'class="chain-map"' in strip
    assert 'href="/drives/kiln-feed/map?shape=ring">ring</a>' in strip
    assert 'href="/drives/kiln-feed/map?shape=ring" aria-current="true">ring</a>' in ring
    assert 'href="/drives/kiln-feed/map.svg?shape=ring"' in ring
