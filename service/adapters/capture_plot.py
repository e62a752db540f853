"""A measured capture as a picture, drawn by matplotlib: PNG for a report, SVG or PDF for print.

Knows matplotlib, the extra `plot`; must not know how anything was measured. What a panel has no numbers for is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SUFFIXES: Final = (".png", ".svg", ".pdf")
PANEL_IN = 1.9  # height of one panel, inches
WIDTH_IN = 9.0
# Told apart by people who see few colours, and in grey: blue dark, orange light.
UP_COLOUR, DOWN_COLOUR, BAND_COLOUR = "#0b4f8a", "#e08a1e", "#9cc3e6"


class PlotError(ValueError):
    """A picture cannot be made. The message says what would mend it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What is drawn. All but `links_pct` have one value a window, shape (n,), NaN where there is none.

    `start_s`, `end_s`: of each window, seconds from the start of the capture.
    `own_u_pct`: standard uncertainty of each window for itself; what all share is in `mean_u_pct` (both k = 1).
    `missed`, `extra`: pulses of both sensors in each window, as a share of those received.
    `links_pct`, `links_u_pct`: elongation of each link of the loop and its standard uncertainty; None without a map.
    """

    title: str
    time_label: str
    start_s: Floats
    end_s: Floats
    elongation_pct: Floats
    own_u_pct: Floats
    mean_pct: float
    mean_u_pct: float
    up_alternation_pct: Floats
    down_alternation_pct: Floats
    speed_m_s: Floats
    missed: Floats
    extra: Floats
    links_pct: Floats | None = None
    links_u_pct: Floats | None = None
    notes: Sequence[str] = field(default_factory=tuple)  # marks on the map, "joint 17: ..."


def check_plot(path: Path) -> None:
    """Raise PlotError where no picture could be made under this name: before anything is measured."""
    if path.suffix.lower() not in SUFFIXES:
        raise PlotError(f"{path}: a picture ends in {', '.join(SUFFIXES)}")
    if not path.absolute().parent.is_dir():
        raise PlotError(f"{path}: there is no such folder; make it, or give another --plot")
    _figure_module()


def _figure_module() -> Any:
    try:
        return import_module("matplotlib.figure")
    except ImportError:
        raise PlotError("a picture needs matplotlib: pip install 'linklag[plot]'") from None


def save_plot(picture: Picture, path: Path) -> None:
    """Draw the picture into a file, over one that is there. Raises PlotError where that fails."""
    panels = [_elongation]
    if np.isfinite([*picture.up_alternation_pct, *picture.down_alternation_pct]).any():
        panels.append(_alternation)
    panels += [_speed, _pulses]
    has_map = picture.links_pct is not None
    figure = _figure_module().Figure(
        figsize=(WIDTH_IN, PANEL_IN * (len(panels) + has_map) + 0.8), layout="constrained"
    )
    axes = figure.subplots(len(panels) + has_map, 1, squeeze=False)[:, 0]
    for panel, axis in zip(panels, axes, strict=False):
        panel(axis, picture)
        axis.grid(visible=True, linewidth=0.4, alpha=0.5)
        axis.sharex(axes[0])
    axes[len(panels) - 1].set_xlabel(picture.time_label)
    if has_map:
        _map(axes[-1], picture)
    figure.suptitle(picture.title, fontsize=10)
    try:
        figure.savefig(path, dpi=150)
    except OSError as error:
        raise PlotError(f"{path} cannot be written ({error.strerror}); give another --plot") from None


def _elongation(axis: Any, picture: Picture) -> None:
    middle = (picture.start_s + picture.end_s) / 2
    low, high = picture.mean_pct - 2 * picture.mean_u_pct, picture.mean_pct + 2 * picture.mean_u_pct
    axis.axhspan(low, high, color=BAND_COLOUR, alpha=0.5, linewidth=0)
    axis.axhline(picture.mean_pct, color=UP_COLOUR, linewidth=0.8)
    axis.errorbar(
        middle,
        picture.elongation_pct,
        yerr=2 * picture.own_u_pct,
        fmt="o",
        markersize=3,
        color=UP_COLOUR,
        elinewidth=0.6,
    )
    axis.ticklabel_format(axis="y", useOffset=False)
    axis.set_ylabel("elongation, %\nmean ± U (k = 2)")


def _alternation(axis: Any, picture: Picture) -> None:
    middle = (picture.start_s + picture.end_s) / 2
    axis.plot(
        middle, picture.up_alternation_pct, "o-", markersize=3, linewidth=0.6, color=UP_COLOUR, label="up"
    )
    axis.plot(
        middle,
        picture.down_alternation_pct,
        "s-",
        markersize=3,
        linewidth=0.6,
        color=DOWN_COLOUR,
        label="down",
    )
    axis.set_ylabel("elongation by\nalternation, %")
    axis.legend(loc="best", fontsize=7)


def _speed(axis: Any, picture: Picture) -> None:
    axis.hlines(picture.speed_m_s, picture.start_s, picture.end_s, color=UP_COLOUR)
    _from_zero(axis, picture.speed_m_s)  # a change of speed shows as what it is
    axis.set_ylabel("speed, m/s")


def _pulses(axis: Any, picture: Picture) -> None:
    axis.hlines(100 * picture.missed, picture.start_s, picture.end_s, color=UP_COLOUR, label="missed")
    axis.hlines(100 * picture.extra, picture.start_s, picture.end_s, color=DOWN_COLOUR, label="extra")
    _from_zero(axis, 100 * np.maximum(picture.missed, picture.extra))
    axis.set_ylabel("of pulses, %")
    axis.legend(loc="best", fontsize=7)


def _from_zero(axis: Any, values: Floats) -> None:
    axis.set_ylim(0, 1.1 * max([*values[np.isfinite(values)].tolist(), 0.01]))


def _map(axis: Any, picture: Picture) -> None:
    links = np.asarray(picture.links_pct)
    numbers = np.arange(len(links))
    u = np.zeros(len(links)) if picture.links_u_pct is None else picture.links_u_pct
    axis.bar(
        numbers,
        links,
        width=1.0,
        yerr=2 * u,
        color=BAND_COLOUR,
        ecolor=UP_COLOUR,
        error_kw={"elinewidth": 0.4},
    )
    axis.set_xlim(-0.5, len(links) - 0.5)
    axis.set_ylabel("elongation of\neach link, %")
    axis.set_xlabel("\n".join(["link of the loop; joint 0 is the first seen at `up`", *picture.notes]))
