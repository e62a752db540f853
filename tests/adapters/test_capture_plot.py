"""The picture of a capture: what is in it, what it is left without, and how it fails."""

import re
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from service.adapters import capture_plot
from service.adapters.capture_plot import Picture, PlotError, check_plot, save_plot
from tests.adapters.test_pulse_tables import needs_module

NONE = np.full(5, np.nan)
PICTURE = Picture(
    title="capture.csv: 1.3 % ± 0.2 %",
    time_label="seconds since the first pulse",
    start_s=np.arange(5.0),
    end_s=np.arange(5.0) + 1,
    elongation_pct=np.array([1.30, 1.31, np.nan, 1.29, 1.30]),
    own_u_pct=np.array([0.01, 0.01, np.nan, 0.01, 0.01]),
    mean_pct=1.30,
    mean_u_pct=0.1,
    up_alternation_pct=np.array([1.2, 1.3, np.nan, 1.3, 1.2]),
    down_alternation_pct=np.array([1.3, 1.3, np.nan, 1.3, 1.3]),
    speed_m_s=np.array([1.0, 1.1, 0.0, np.nan, 1.0]),
    missed=np.zeros(5),
    extra=np.array([0, 0.1, 0, 0, 0.0]),
)


def texts(path: Path) -> str:
    """All that is written in an SVG. matplotlib draws letters as shapes and keeps what they say in comments."""
    return " | ".join(re.findall(r"<!-- (.*?) -->", path.read_text()))


@pytest.fixture(autouse=True)
def _matplotlib() -> None:
    needs_module("matplotlib")


def test_every_panel_is_named_with_its_unit(tmp_path: Path) -> None:
    save_plot(PICTURE, tmp_path / "picture.svg")
    said = texts(tmp_path / "picture.svg")
    for words in (
        "capture.csv: 1.3 % ± 0.2 %",
        "elongation, %",
        "mean ± U (k = 2)",
        "alternation, %",
        "speed, m/s",
        "of pulses, %",
        "seconds since the first pulse",
        "missed",
        "extra",
        "down",
    ):
        assert words in said
    assert "link" not in said


def test_without_alternation_its_panel_is_left_out(tmp_path: Path) -> None:
    save_plot(replace(PICTURE, up_alternation_pct=NONE, down_alternation_pct=NONE), tmp_path / "picture.svg")
    assert "alternation" not in texts(tmp_path / "picture.svg")


def test_a_map_of_the_links_has_a_panel_of_its_own(tmp_path: Path) -> None:
    links = np.where(np.arange(122) == 17, 8.0, 1.3)
    with_map = replace(PICTURE, links_pct=links, links_u_pct=np.full(122, 0.1), notes=("link 17: 8.00 %",))
    save_plot(with_map, tmp_path / "picture.svg")
    said = texts(tmp_path / "picture.svg")
    assert "each link, %" in said
    assert "link 17: 8.00 %" in said


@pytest.mark.parametrize("windows", [1, 5000])
def test_one_window_and_thousands_are_drawn(tmp_path: Path, windows: int) -> None:
    half = np.full(windows, 0.5)
    many = replace(
        PICTURE, start_s=np.arange(float(windows)), end_s=np.arange(float(windows)) + 1, elongation_pct=half,
        own_u_pct=half, up_alternation_pct=half, down_alternation_pct=half, speed_m_s=half, missed=half, extra=half,
    )  # fmt: skip
    save_plot(many, tmp_path / "picture.png")
    assert (tmp_path / "picture.png").read_bytes().startswith(b"\x89PNG")


def test_what_cannot_be_drawn_is_told_before_anything_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    check_plot(tmp_path / "picture.PNG")
    with pytest.raises(PlotError, match=r"ends in \.png, \.svg, \.pdf"):
        check_plot(tmp_path / "picture")
    with pytest.raises(PlotError, match="no such folder"):
        check_plot(tmp_path / "none" / "picture.png")

    def missing(name: str) -> ModuleType:
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(capture_plot, "import_module", missing)
    with pytest.raises(PlotError, match=r"pip install 'linklag\[plot\]'"):
        check_plot(tmp_path / "picture.png")


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "picture.png").mkdir()
    with pytest.raises(PlotError, match="cannot be written"):
        save_plot(PICTURE, tmp_path / "picture.png")
