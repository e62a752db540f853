"""Drives that fell silent together: one is told in the place of all.

Where a broker, a network or the power of a hall goes, every drive behind it is silent at once. One cause is one alert:
hundreds at once hide what else comes, and nobody reads them. IEC 62682 asks for such floods to be suppressed by design
(from memory); that five within two minutes have one cause is common practice, no source.

Nobody is kept quiet for one that might be told, only for one that is: so of each place somebody always is, whatever was
set or shelved. Who is kept quiet has a leader: of the same place, silent since about the same time, told with no lower
priority, and not answered before the other fell silent.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from service.core.setpoint import Priority

S = 1_000_000_000
TOGETHER_NS = 120 * S  # from each other at most: twice the longest window that is usual
MANY = 5
LASTS_NS = 600 * S  # once its leader is back, so long a drive has to come back too

Place = tuple[str, ...]  # the site, and by what people are told of a drive there


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """A drive of which nothing comes."""

    drive_id: str
    place: Place
    since_ns: int
    counts: bool = (
        True  # False where nothing is wrong with that: it stands, is worked on, is not watched for it
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A drive whose silence is told."""

    drive_id: str
    place: Place
    priority: Priority
    acknowledged_ns: int | None = None
    held: bool = False  # shelved or out of service
    after: str | None = None  # whom it was kept quiet for until now


@dataclass(frozen=True, slots=True, kw_only=True)
class Led:
    """A drive that is kept quiet."""

    leader: str  # the one that is told; "" where that is not known, after a start
    seen_ns: int  # when that one was found silent last


class Silences:
    """Who is silent and who is told, at one look."""

    def __init__(self, silent: Iterable[Silent], told: Iterable[Told]) -> None:
        self._silent = {each.drive_id: each for each in silent}
        self._told = {each.drive_id: each for each in told}
        self._since_ns: dict[Place, list[int]] = defaultdict(list)  # of those that count
        for each in self._silent.values():
            if each.counts:
                self._since_ns[each.place].append(each.since_ns)
        for times in self._since_ns.values():
            times.sort()

    def tell(self, told: Told) -> None:
        """Note one that is told from now on."""
        self._told[told.drive_id] = told

    def others(self, drive_id: str) -> int:
        """Return how many others fell silent with a drive; 0 where it is not silent."""
        one = self._silent.get(drive_id)
        if one is None:
            return 0
        times = self._since_ns.get(one.place, [])
        near = bisect_right(times, one.since_ns + TOGETHER_NS) - bisect_left(
            times, one.since_ns - TOGETHER_NS
        )
        return near - one.counts

    def leader_for(self, drive_id: str, priority: Priority) -> str | None:
        """Return who is told in the place of a drive that would be told now, None where it is told itself."""
        one = self._silent.get(drive_id)
        if one is None or self.others(drive_id) < MANY - 1:
            return None
        fit = (
            each.drive_id
            for each in self._told.values()
            if self._fits(each, one, priority)
            and self._is_near(each, one)
            and (each.acknowledged_ns is None or each.acknowledged_ns > one.since_ns)
        )
        return min(fit, default=None)

    def follow(self, drive_id: str, priority: Priority, led: Led, now_ns: int) -> Led | None:
        """Return who is told in the place of a drive that was kept quiet until now, None where it is told itself now.

        While its leader is told, however that is answered; then somebody else who is told for the same reason; else for
        `LASTS_NS`, as drives come back one after the other.
        """
        if led.leader in self._told:
            return Led(leader=led.leader, seen_ns=now_ns)
        one = self._silent.get(drive_id)
        if one is not None:
            fit = (
                each.drive_id
                for each in self._told.values()
                if self._fits(each, one, priority) and (each.after == led.leader or self._is_near(each, one))
            )
            other = min(fit, default=None)
            if other is not None:
                return Led(leader=other, seen_ns=now_ns)
        return led if now_ns - led.seen_ns < LASTS_NS else None

    def _fits(self, told: Told, one: Silent, priority: Priority) -> bool:
        is_other = told.drive_id != one.drive_id and told.place == one.place
        return is_other and not told.held and told.priority >= priority

    def _is_near(self, told: Told, one: Silent) -> bool:
        known = self._silent.get(told.drive_id)
        return known is not None and abs(known.since_ns - one.since_ns) <= TOGETHER_NS
