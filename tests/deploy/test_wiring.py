"""deploy/WIRING.md: its numbers are worked out again, its links and drawings are there, its cautions come first."""

import math
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from linux_gpio import read_settings

DEPLOY = Path(__file__).parents[2] / "deploy"
PAGE = (DEPLOY / "WIRING.md").read_text()
FLAT = " ".join(PAGE.replace("\n>", " ").split())
DRAWINGS = sorted((DEPLOY / "drawings").glob("*.svg"))
SVG = "{http://www.w3.org/2000/svg}"


def test_the_rates_of_joints_are_speed_over_pitch() -> None:
    head, *rows = re.findall(r"^  \|(.*)\|$", PAGE, re.MULTILINE)
    pitches_mm = [float(each) for each in re.findall(r"(\d+\.\d) mm", head)]
    told = [row.split("|") for row in rows if "m/s" in row]
    assert (len(pitches_mm), len(told)) == (3, 3)
    for speed, *rates in told:
        v_mm_s = float(speed.split()[0]) * 1000
        assert [rate.strip() for rate in rates] == [f"{v_mm_s / p + 1e-9:.0f} Hz" for p in pitches_mm]


def wear_pct(moved_mm: float, pitches: int = 24, pitch_mm: float = 12.7) -> float:
    return 100 * moved_mm / (pitches * pitch_mm)


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        (wear_pct(0.1), "0.1 mm of creep reads as {:.3f} % over 24 pitches of 12.7 mm"),
        (wear_pct(1.0), "which reads as {:.2f} % over 24 pitches"),
        (1 / 12.7, "1 ms between two clocks is {:.3f} pitch at 1 m/s and 12.7 mm"),
        (100 * 8 / 3 * 0.02**2, "2 % of sag reads as {:.2f} % of elongation too little"),
        (100 * 8 / 3 * 0.04**2, "4 % as {:.2f} %"),
        (100 * 30 * 11.7e-6, "30 K between chain and rail read as {:.3f} %"),
        (
            12.7 / (2 * math.sin(math.pi / 17)) * (1 - math.cos(math.pi / 17)),
            "{:.1f} mm with 17 teeth at 12.7 mm of pitch",
        ),
        (100 / 24 * 57.7e-6 / 12.7e-3 * math.sqrt(2 / 1000), "50 µs a pulse leave {:.3f} % of elongation"),
    ],
)
def test_a_number_marked_as_our_own_is_what_its_formula_gives(number: float, sentence: str) -> None:
    """The last: jitter of 50 us and a tick of 100 us make 57.7 us a pulse; see "From lag to elongation"."""
    assert sentence.format(number) in FLAT


def test_at_5_m_s_a_joint_is_shorter_than_the_filter_it_warns_of() -> None:
    assert "an input filter of 3 ms is longer than a joint at 5 m/s" in FLAT
    assert 12.7 / 5 < 3


@pytest.mark.parametrize(
    "caution",
    [
        "lock it out",
        "tag it out",
        "stored",
        "verify",
        "guard",
        "lifting chain",
        "Local codes and licensed people",
        "no safety function",
    ],
)
def test_the_cautions_come_before_anything_else(caution: str) -> None:
    assert caution in " ".join(PAGE.split("## 1.")[0].replace("\n>", " ").split())


def test_every_link_leads_to_a_file_and_every_device_and_drawing_is_linked() -> None:
    links = set(re.findall(r"\]\(([^)#]+)\)", PAGE))
    assert all((DEPLOY / link).is_file() for link in links), links
    assert {f"drawings/{each.name}" for each in DRAWINGS} <= links
    devices = {f"devices/{each.name}" for each in (DEPLOY / "devices").iterdir() if each.is_file()}
    assert devices - links == {"devices/batch_encoder.h"}


@pytest.mark.parametrize("file", DRAWINGS, ids=lambda file: file.stem)
def test_a_drawing_says_in_words_what_it_shows_and_fetches_nothing(file: Path) -> None:
    root = ET.fromstring(file.read_text())  # noqa: S314 - our own file
    names = {each.tag.removeprefix(SVG) for each in root.iter()}
    assert names <= {"svg", "title", "desc", "rect", "circle", "line", "path", "text"}
    for name in ("title", "desc"):
        found = root.find(f"{SVG}{name}")
        assert found is not None
        assert found.text
        assert len(found.text) > 15
    assert "href" not in file.read_text()


def test_the_settings_shown_are_settings_the_device_takes(tmp_path: Path) -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    file = tmp_path / "device.toml"
    file.write_text(shown)
    assert read_settings(file).drive == "kiln-car"
