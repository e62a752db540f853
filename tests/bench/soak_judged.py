"""What a soak does when, and what its samples show: numbers in, numbers and Markdown out. Starts nothing, waits for nothing."""

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from scipy.stats import theilslopes

WARM_S = 300.0  # a process so young still fills its caches: its memory is not judged
JUDGED_S = 1200.0  # and only over so long a stretch
SETTLE_S = 45.0  # so long after a fault latency still counts as the fault's
FAULTS_UNTIL = 2 / 3  # of the whole: then nothing is broken any more
KILLS_UNTIL = 0.4  # so that the last incarnations live for long
LASTING_S = 20.0


class Fault(StrEnum):
    """What is broken, or done that should not be."""

    KILL_WORKER = "worker SIGKILL, started again"
    KILL_WEB = "web SIGKILL, started again"
    STOP_BROKER = "broker SIGTERM, started again"
    PAUSE_WORKER = "worker SIGSTOP"
    LOCK_STORE = "store locked by another connection"
    GARBAGE = "garbage payloads"
    REPEAT = "a device repeats its batches"
    LEAVE = "viewers cut off, slow viewers"


KILLS = (Fault.KILL_WORKER, Fault.KILL_WEB, Fault.STOP_BROKER)
LASTING = (Fault.PAUSE_WORKER, Fault.LOCK_STORE)


@dataclass(frozen=True, slots=True)
class Planned:
    """A fault to come, seconds from the start."""

    at_s: float
    fault: Fault
    lasts_s: float = 0.0


def planned(seed: int, minutes: float) -> list[Planned]:
    """Return what is broken when: drawn from the seed, pushed apart so that one thing is broken at a time."""
    rng, whole_s = random.Random(seed), 60 * minutes
    lasts_s = min(LASTING_S, 2 * minutes)
    found: list[tuple[float, Fault]] = []
    for faults, each_min, until in (
        (KILLS, 30, KILLS_UNTIL),
        (LASTING, 20, FAULTS_UNTIL - 0.06),
        ((Fault.GARBAGE, Fault.REPEAT, Fault.LEAVE), 8, FAULTS_UNTIL - 0.04),
    ):
        times = max(1, round(minutes / each_min))
        found += [(rng.uniform(0.05, until) * whole_s, fault) for fault in faults for _ in range(times)]
    made: list[Planned] = []
    free_s = 0.0
    for at_s, fault in sorted(found):
        lasts = lasts_s if fault in LASTING else 0.0
        made.append(Planned(max(at_s, free_s), fault, lasts))
        free_s = made[-1].at_s + lasts + (lasts_s if fault in KILLS or fault in LASTING else 2.0)
    return made


@dataclass(frozen=True, slots=True)
class Window:
    """When something was broken, seconds from the start."""

    begin_s: float
    end_s: float
    fault: Fault

    def touches(self, t_s: float) -> bool:
        """Whether what was published then may still have met it."""
        return self.begin_s - 5.0 <= t_s <= self.end_s + SETTLE_S


@dataclass(frozen=True, slots=True)
class Slope:
    """A robust slope (Theil-Sen: the median of the slopes between all pairs), an hour, with its 95 % interval."""

    per_h: float
    low: float
    high: float

    @property
    def is_flat(self) -> bool:
        """Whether no growth is beyond confidence."""
        return self.low <= 0.0

    def __str__(self) -> str:
        return f"{self.per_h:+.2f} ({self.low:+.2f} to {self.high:+.2f})"


def slope(times_s: Sequence[float], values: Sequence[float]) -> Slope | None:
    """Return the slope of values over time; None of fewer than eight.

    Samples of one process hang together, which the interval does not know: give medians of a minute each (`by_minute`).
    """
    if len(values) < 8:
        return None
    found = theilslopes(np.asarray(values), np.asarray(times_s) / 3600, 0.95)
    return Slope(float(found[0]), float(found[2]), float(found[3]))


def by_minute(pairs: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the middle of each minute that has any, and the median of its values."""
    minutes: dict[int, list[float]] = {}
    for t_s, value in pairs:
        minutes.setdefault(int(t_s // 60), []).append(value)
    return [(60 * minute + 30.0, float(np.median(values))) for minute, values in sorted(minutes.items())]


@dataclass(frozen=True, slots=True)
class Sample:
    """What a process held and had used at a moment."""

    t_s: float
    rss_mb: float
    anon_mb: float
    fds: int
    threads: int
    cpu_s: float


@dataclass(slots=True)
class Life:
    """One incarnation of a process."""

    name: str
    pid: int
    began_s: float
    samples: list[Sample] = field(default_factory=list)

    @property
    def lasted_s(self) -> float:
        """From its start to the last that was seen of it."""
        return self.samples[-1].t_s - self.began_s if self.samples else 0.0

    def judged(self, name: str, since_s: float = 0.0) -> Slope | None:
        """Return the slope of one of its numbers once it is warm; None where too little of it was seen.

        Args:
            name: of the field of `Sample`.
            since_s: from then on only, seconds from the start of the soak.
        """
        begin_s = max(self.began_s + WARM_S, since_s)
        warm = [(each.t_s, float(getattr(each, name))) for each in self.samples if each.t_s >= begin_s]
        if not warm or warm[-1][0] - warm[0][0] < JUDGED_S - 60:
            return None
        medians = by_minute(warm)
        return slope([t_s for t_s, _ in medians], [value for _, value in medians])


Seen = tuple[
    float, float
]  # when it was published, seconds from the start; how long until a viewer's stream had it


def quiet(seen: Iterable[Seen], windows: Sequence[Window]) -> list[Seen]:
    """Return what met no fault."""
    return [each for each in seen if not any(window.touches(each[0]) for window in windows)]


# Tables


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a table in Markdown."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)


def latency_table(seen: Sequence[Seen], windows: Sequence[Window]) -> str:
    """Return latency by five minutes: what met no fault, and what did."""
    calm = set(quiet(seen, windows))
    rows = []
    for begin_s in range(0, int(max((t_s for t_s, _ in seen), default=0.0)) + 1, 300):
        here = [each for each in seen if begin_s <= each[0] < begin_s + 300]
        well = [took_s for t_s, took_s in here if (t_s, took_s) in calm]
        ill = [took_s for t_s, took_s in here if (t_s, took_s) not in calm]
        rows.append((f"{begin_s // 60} to {begin_s // 60 + 5}", *_quantiles(well), *_quantiles(ill)))
    head = ("minutes", "calm", "median s", "95th s", "longest s", "met a fault", "median", "95th", "longest")
    return table(head, rows)


def _quantiles(values: Sequence[float]) -> tuple[object, ...]:
    if not values:
        return 0, "", "", ""
    median, most = np.percentile(values, (50, 95))
    return len(values), f"{median:.2f}", f"{most:.2f}", f"{max(values):.2f}"


def latency_slope(seen: Sequence[Seen], windows: Sequence[Window]) -> Slope | None:
    """Return the slope of the medians of each minute, seconds an hour, of what met no fault."""
    medians = by_minute(quiet(seen, windows))
    return slope([t_s for t_s, _ in medians], [value for _, value in medians])


def lives_table(lives: Sequence[Life]) -> str:
    """Return each incarnation with its memory and descriptors, and how these went."""
    rows = []
    for life in lives:
        if not life.samples:
            continue
        warm = [each for each in life.samples if each.t_s >= life.began_s + WARM_S] or life.samples[-1:]
        first, last = warm[0], life.samples[-1]
        cores = (last.cpu_s - life.samples[0].cpu_s) / max(1.0, last.t_s - life.samples[0].t_s)
        half_s = (first.t_s + last.t_s) / 2
        rows.append(
            (
                life.name,
                f"{life.began_s / 60:.1f}",
                f"{life.lasted_s / 60:.1f}",
                f"{cores:.2f}",
                f"{first.rss_mb:.1f}",
                f"{last.rss_mb:.1f}",
                life.judged("rss_mb") or "too young",
                life.judged("rss_mb", half_s) or "",
                f"{first.fds} to {last.fds}",
                life.judged("fds") or "",
                f"{first.threads} to {last.threads}",
            )
        )
    head = (
        "process",
        "began, min",
        "lived, min",
        "cores",
        "RSS at 5 min, MB",
        "at end",
        "MB/h (95 %)",
        "later half",
        "fds",
        "fds/h (95 %)",
        "threads",
    )
    return table(head, rows)
