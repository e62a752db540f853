"""Which messages one of several workers takes: those under its topic roots, of all drives or of those it names.

Knows topics and filters of the wire contract; must not know what subscribes to them. MQTT filters match whole levels
only: there is none for "all drives but these", or for drives whose id begins in some way. So a partition names roots
of any number of levels, or the ids of drives, and partitions of one broker must be told apart by that alone.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from service.core.wire import Form, subscriptions


@dataclass(frozen=True, slots=True, kw_only=True)
class Partition:
    """What one worker takes. `drives` None: all under the roots. `alone`: no other worker takes part."""

    roots: tuple[str, ...]
    drives: frozenset[str] | None = None
    alone: bool = False

    def __post_init__(self) -> None:
        if not self.roots:
            raise ValueError("a partition without roots takes nothing: name one, like plant/site-a")
        if self.drives is not None and not self.drives:
            raise ValueError(
                "a partition of no drives takes nothing: name some, or leave them out to take all"
            )


def whole(root: str) -> Partition:
    """Return what the only worker takes: all drives under one root."""
    return Partition(roots=(root,), alone=True)


def filters(partition: Partition) -> list[str]:
    """Return the topic filters under which the devices of a partition publish."""
    if partition.drives is None:
        return [topic_filter for root in partition.roots for topic_filter in subscriptions(root)]
    return [
        f"{root}/{drive_id}/{form}"
        for root in partition.roots
        for drive_id in sorted(partition.drives)
        for form in Form
    ]


def root_of(topic: str, roots: Sequence[str]) -> str:
    """Return the root that a topic `<root>/<drive>/<form>` lies under; the first where it lies under none."""
    above = topic.rsplit("/", 2)[0]
    return above if above in roots else roots[0]


def home_of(partition: Partition, drive_id: str, heard: Mapping[str, str]) -> str | None:
    """Return the root under which this worker speaks of a drive; None where that is another worker's, or not known yet.

    heard: by drive, the root under which its device spoke to this worker.
    """
    if partition.drives is not None and drive_id not in partition.drives:
        return None
    known = partition.alone or partition.drives is not None
    if len(partition.roots) == 1 and known:
        return partition.roots[0]
    return heard.get(drive_id)


def crossing(one: Partition, other: Partition) -> str:
    """Return a topic filter under which both would take the same messages; empty where there is none.

    Roots hold no wildcards and every topic has two levels below its root, so two roots cross where they are the same.
    """
    for root in one.roots:
        if root in other.roots:
            drives = _both(one.drives, other.drives)
            if drives is None:
                return f"{root}/+/{Form.PULSES}"
            if drives:
                return f"{root}/{min(drives)}/{Form.PULSES}"
    return ""


def crossings(partitions: Mapping[str, Partition]) -> list[tuple[str, str, str]]:
    """Return each pair of partitions of one broker that take the same messages, with a filter that shows it."""
    return [
        (one, other, shown)
        for one, other in combinations(partitions, 2)
        if (shown := crossing(partitions[one], partitions[other]))
    ]


def uncovered(drive_ids: Collection[str], partitions: Collection[Partition]) -> list[str]:
    """Return the drives that no partition takes under any root, sorted."""
    if any(partition.drives is None for partition in partitions):
        return []
    taken = frozenset[str]().union(*(partition.drives or () for partition in partitions))
    return sorted(set(drive_ids) - taken)


def _both(one: frozenset[str] | None, other: frozenset[str] | None) -> frozenset[str] | None:
    """The drives that both take; None for all."""
    if one is None:
        return other
    return one if other is None else one & other
