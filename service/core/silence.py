"""Which drives fell silent together, and which of them is told in the place of all.

Where a broker, a network or the power of a hall goes, every drive behind it is silent at once. One cause is one alert:
hundreds at once hide what else comes, and nobody reads them. IEC 62682 asks for such floods to be suppressed by design;
that 5 within two minutes have one cause is common practice, no source. Whoever is kept quiet has a leader that is told
no later than it would have been.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

S = 1_000_000_000
TOGETHER_NS = 120 * S  # apart from each other at most: twice the longest window of a batch
MANY = 5
LASTS_NS = 600 * S  # so long who was kept quiet has to come back after the others


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """A drive of which nothing comes."""

    drive_id: str
    site: str
    since_ns: int
    told_ns: int  # when it is told of by itself
    may_lead: bool = True  # False where nothing is told of it, as it stands or is worked on


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Drives of a site that fell silent together."""

    leader: str  # the one that is told
    drive_ids: frozenset[str]  # all, the leader among them


@dataclass(frozen=True, slots=True, kw_only=True)
class Led:
    """A drive that is kept quiet, as another is told in its place."""

    since_ns: int  # silent since
    seen_ns: int  # when this was found last


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Who is kept quiet, and how many others each of those that are told stands for."""

    led: Mapping[str, Led] = field(default_factory=dict)
    led_by: Mapping[str, int] = field(default_factory=dict)


def together(before: Together, silent: Sequence[Silent], now_ns: int) -> Together:
    """Return who is kept quiet now.

    Drives come back one after the other once the cause is gone, and so their groups melt away: who was kept quiet and is
    still silent stays quiet for `LASTS_NS` more. Then one of those that are left is told.

    Args:
        before: what the look before this one returned.
        silent: all drives of which nothing comes.
        now_ns: now.
    """
    since_ns = {each.drive_id: each.since_ns for each in silent}
    led, led_by = {}, {}
    for group in groups(silent):
        led_by[group.leader] = len(group.drive_ids) - 1
        for name in group.drive_ids - {group.leader}:
            led[name] = Led(since_ns=since_ns[name], seen_ns=now_ns)
    for name, known in before.led.items():
        lasts = since_ns.get(name) == known.since_ns and now_ns - known.seen_ns < LASTS_NS
        if name not in led and lasts:
            led[name] = known
    return Together(led=led, led_by=led_by)


def groups(silent: Iterable[Silent]) -> list[Group]:
    """Return who fell silent together: of one site, `MANY` at least, none later than `TOGETHER_NS` after the first."""
    found = []
    for _, of_site in groupby(sorted(silent, key=_by_site), key=lambda each: each.site):
        for many in _together(list(of_site)):
            leader = min((each for each in many if each.may_lead), key=_by_told, default=None)
            if leader is not None and len(many) >= MANY:
                found.append(
                    Group(leader=leader.drive_id, drive_ids=frozenset(each.drive_id for each in many))
                )
    return found


def _together(of_site: Sequence[Silent]) -> Iterator[Sequence[Silent]]:
    """Cut those of a site, in the order of `since_ns`, into stretches that are not longer than `TOGETHER_NS`."""
    begin = 0
    for at, each in enumerate(of_site):
        if each.since_ns - of_site[begin].since_ns > TOGETHER_NS:
            yield of_site[begin:at]
            begin = at
    yield of_site[begin:]


def _by_site(silent: Silent) -> tuple[str, int, str]:
    return silent.site, silent.since_ns, silent.drive_id


def _by_told(silent: Silent) -> tuple[int, str]:
    return silent.told_ns, silent.drive_id
