"""Published paths of wear and cracks, read where they lie beside the project, and forecasts of them with hindsight left out.

Lasers: Meeker & Escobar, Statistical Methods for Reliability Data (1998), GaAs lasers at 80 degC, rise of operating current.
Alloy A: Hudak et al. (1978), fatigue crack lengths, as in Meeker & Escobar. Virkler, Hillberry & Goel, J. Eng. Mater. Technol.
101 (1979) 148: cycles at 164 crack lengths. Metal wear: Meeker & Escobar, sliding wear at three loads. A crack's length counts
from its start, as a chain's elongation does.
"""

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest

from service.core.duty import Duty
from service.core.forecast_metrics import Told
from service.core.prognosis import Case, Prognosis, forecast
from service.core.wear_class import WearClass, learn_class
from service.core.wear_state import Observation, join
from tests.conftest import REFERENCE

Floats = npt.NDArray[np.float64]
Paths = Mapping[str, Floats]  # unit to shape (n, 2): clock, value

HOUR_NS = 3_600_000_000_000
BEDDED_IN_H = 100.0  # these have none: all of the path counts


@dataclass(frozen=True, slots=True, kw_only=True)
class DataSet:
    """Paths with the level they are forecast to reach, and the standard uncertainty of a value."""

    name: str
    paths: Paths
    level: float
    u: float


def _rows(name: str) -> list[list[str]]:
    path = REFERENCE / name
    if not path.exists():
        pytest.skip(f"{name} is not beside the project (looked in {path.parent})")
    with path.open() as file:
        return list(csv.reader(file))


def _by_unit(name: str, unit: int, clock: int, value: int) -> dict[str, Floats]:
    found: dict[str, list[tuple[float, float]]] = {}
    for row in _rows(name)[1:]:
        found.setdefault(row[unit], []).append((float(row[clock]), float(row[value])))
    return {key: np.array(rows) for key, rows in found.items()}


def lasers(level: float = 6.0) -> DataSet:
    """15 lasers; all reach 6 % by the end of the test."""
    return DataSet(name="lasers", paths=_by_unit("gaas_laser.csv", 0, 1, 2), level=level, u=0.03)


def alloy(level: float = 1.25) -> DataSet:
    """21 specimens; all reach 1.25 in. Lengths were read to 0.01 in."""
    paths = _by_unit("alloy_a_crack.csv", 0, 1, 2)
    return DataSet(name="alloy A", paths=_from_start(paths, 0.9), level=level - 0.9, u=0.003)


def virkler() -> DataSet:
    """68 specimens of one batch, to 49.8 mm."""
    rows = _rows("virkler_cycles.csv")
    lengths = np.array([float(row[0]) for row in rows[1:]])
    paths = {
        name: np.column_stack(([float(row[column]) for row in rows[1:]], lengths))
        for column, name in enumerate(rows[0])
        if column
    }
    return DataSet(name="Virkler", paths=_from_start(paths, 9.0), level=49.8 - 9.0, u=0.03)


def metal(load_g: str, *, logarithms: bool = False) -> DataSet:
    """Four specimens at one load, forecast to reach the least wear that one of them had after 500 cycles.

    They bed in all the way: wear goes with a power of the cycles, and its logarithm straight with that of the cycles.
    """
    units = {row[0] for row in _rows("metal_wear.csv")[1:] if row[1] == load_g}
    paths = {unit: path for unit, path in _by_unit("metal_wear.csv", 0, 2, 3).items() if unit in units}
    if logarithms:
        paths = {unit: np.log(path) for unit, path in paths.items()}
        start = min(float(path[0, 1]) for path in paths.values())
        paths = _from_start(paths, start)
    level = min(float(path[-1, 1]) for path in paths.values())
    name = f"metal wear, {load_g} g" + (", logarithms" if logarithms else "")
    return DataSet(name=name, paths=paths, level=level, u=0.04 if logarithms else 0.03 * level)


def _from_start(paths: Paths, start: float) -> dict[str, Floats]:
    return {unit: path - np.array([0.0, start]) for unit, path in paths.items()}


def crossing(path: Floats, level: float) -> float | None:
    """When a path first reaches a level, by straight lines between its points; None if it does not."""
    over = np.flatnonzero(path[:, 1] >= level)
    if not len(over):
        return None
    index = int(over[0])
    if index == 0:
        return float(path[0, 0])
    (t0, y0), (t1, y1) = path[index - 1], path[index]
    return float(t0 + (level - y0) / (y1 - y0) * (t1 - t0))


def observations(path: Floats, u: float) -> list[Observation]:
    """A path as observations; its clock also gives the instants, in thousandths of an hour each."""
    return [
        Observation(
            clock=float(clock),
            t_ns=index,
            hours=BEDDED_IN_H,
            elongation_pct=float(value),
            u_independent_pct=u,
        )
        for index, (clock, value) in enumerate(path)
    ]


def class_without(data: DataSet, unit: str, *, among: int | None = None) -> WearClass | None:
    """What the others of a data set lend to one: all of them over their whole paths, that one left out."""
    others = [path for name, path in data.paths.items() if name != unit][:among]
    return learn_class([join(observations(path, data.u), data.level) for path in others])


def prognosis_at(
    data: DataSet, path: Floats, part: float, lent: WearClass | None
) -> tuple[Prognosis, float] | None:
    """The forecast at a part of the way to the crossing, from what was read by then, and its clock; None with under 3 points."""
    end = crossing(path, data.level)
    if end is None:
        return None
    seen = path[(path[:, 0] <= part * end) & (path[:, 1] < data.level)]
    if len(seen) < 3:
        return None
    now = float(seen[-1, 0])
    per_day = end / 100  # a duty that brings the end some hundred days after the start
    steady = Duty(
        clock_by_weekday=(per_day,) * 7,
        hours_by_weekday=(24.0,) * 7,
        level_u=0.0,
        scatter=0.0,
        walk=0.0,
        weeks=8,
    )
    case = Case(
        observations=observations(seen, data.u), limit_pct=data.level, now_ns=len(path), now_clock=now,
        now_hours=BEDDED_IN_H, duty=steady, wear_class=lent, class_name=data.name,
    )  # fmt: skip
    return forecast(case), now


def told_at(data: DataSet, path: Floats, part: float, lent: WearClass | None) -> Told | None:
    """The same as the clock's quantiles; a forecast that gives none holds nothing but everything: it is None."""
    found = prognosis_at(data, path, part, lent)
    if found is None or not found[0].passages:
        return None
    quantiles = [found[0].quantile(each) for each in (0.1, 0.5, 0.9)]
    p10, p50, p90 = (
        float("inf") if each is None or each.clock is None else found[1] + each.clock for each in quantiles
    )
    return Told(made=found[1], p10=p10, p50=p50, p90=p90)


def histories(
    data: DataSet, parts: tuple[float, ...], *, lend: bool, every: int = 1, among: int | None = None
) -> Iterator[tuple[str, float, list[Told | None]]]:
    """Unit, crossing, and a forecast at each part, of every so-many-th unit that crosses."""
    for unit in list(data.paths)[::every]:
        end = crossing(data.paths[unit], data.level)
        if end is None:
            continue
        lent = class_without(data, unit, among=among) if lend else None
        yield unit, end, [told_at(data, data.paths[unit], part, lent) for part in parts]
