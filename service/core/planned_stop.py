"""A stop that people plan: which part of a plant stands, from when to when.

Knows places and instants; must not know what is done in a stop.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from service.core.drive import Drive
from service.core.fields import instant_problem, refuse, text_problem

DAY_NS = 86_400 * 10**9
LENGTH_MAX_NS = 366 * DAY_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStop:
    """One planned stop. What of site, area and line is empty is all of it. `number` 0: not stored yet."""

    name: str
    site: str = ""
    area: str = ""
    line: str = ""
    starts_ns: int
    ends_ns: int
    note: str = ""
    by: str
    recorded_ns: int
    number: int = 0

    def __post_init__(self) -> None:
        starts, ends = instant_problem(self.starts_ns), instant_problem(self.ends_ns)
        if starts is None and ends is None:
            if self.ends_ns <= self.starts_ns:
                ends = "the stop ends before it starts; check both"
            elif self.ends_ns - self.starts_ns > LENGTH_MAX_NS:
                ends = "a stop of over a year is none; retire the drives, or check both dates"
        refuse(
            name=text_problem(self.name)
            or (None if self.name else "give the stop a name, e.g. Summer shutdown"),
            site=text_problem(self.site),
            area=text_problem(self.area),
            line=text_problem(self.line),
            starts_ns=starts,
            ends_ns=ends,
            note=text_problem(self.note, lines=True),
            by=text_problem(self.by),
            recorded_ns=instant_problem(self.recorded_ns),
        )

    @property
    def place(self) -> str:
        """Where, as people say it."""
        return " / ".join(each for each in (self.site, self.area, self.line) if each) or "everywhere"

    def covers(self, drive: Drive) -> bool:
        """Whether that drive stands in it."""
        pairs = ((self.site, drive.site), (self.area, drive.area), (self.line, drive.line))
        return all(not mine or mine == its for mine, its in pairs)


def stops_of(drive: Drive, stops: Iterable[PlannedStop], after_ns: int) -> tuple[PlannedStop, ...]:
    """Return the stops of a drive that start after an instant, by start."""
    coming = [each for each in stops if each.starts_ns > after_ns and each.covers(drive)]
    return tuple(sorted(coming, key=lambda each: (each.starts_ns, each.number)))
