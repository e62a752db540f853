"""What the worker of a partition subscribes to, and what of others its session must not have."""

from service.adapters.sparkplug import topic_filters
from service.commands import CommandError
from service.core.partition import filters
from service.core.wire import subscriptions
from service.settings import Settings


def chosen(settings: Settings, partition: str | None) -> str | None:
    """Return the partition of a worker. Raises CommandError where it is none, or must be said."""
    names = ", ".join(settings.partition)
    if partition is None and settings.partition:
        raise CommandError(
            f"the settings have partitions: say which this worker takes, --partition and one of {names}; "
            "a worker without would take what they take"
        )
    if partition is not None and partition not in settings.partition:
        known = f"there are {names}" if names else "there is none"
        raise CommandError(
            f"--partition {partition}: no table [partition.{partition}] in the settings; {known}"
        )
    return partition


def groups_of(settings: Settings, partition: str | None) -> list[str]:
    """Return the topic filters of a partition's Sparkplug groups."""
    return topic_filters(settings.broker_of(partition).sparkplug_groups)


def any_groups(settings: Settings) -> bool:
    """Return whether anything comes by Sparkplug."""
    return any(settings.broker_of(name).sparkplug_groups for name in [None, *settings.partition])


def others_of(settings: Settings, partition: str | None) -> list[str]:
    """Return what is taken at a partition's broker that is not its own: by others, or by itself before it named drives."""
    if partition is None:
        return []
    own = {*filters(settings.taken_by(partition)), *groups_of(settings, partition)}
    return [each for each in all_at(settings, partition) if each not in own]


def all_at(settings: Settings, partition: str | None) -> list[str]:
    """Return every filter by which anything is, or was, taken at the broker of a partition, sorted."""
    where = _where(settings, partition)
    beside: list[str | None] = [name for name in settings.partition if _where(settings, name) == where]
    found: set[str] = set()
    for name in beside or [partition]:
        taken = settings.taken_by(name)
        found.update(filters(taken), groups_of(settings, name))
        found.update(each for root in taken.roots for each in subscriptions(root))
    return sorted(found)


def _where(settings: Settings, partition: str | None) -> tuple[str, int]:
    broker = settings.broker_of(partition)
    return broker.host, broker.port
