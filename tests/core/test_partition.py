"""Partitions: what one worker takes, and whether two take the same, held against an MQTT client's own matching."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from service.core.partition import (
    Partition,
    crossing,
    crossings,
    filters,
    home_of,
    root_of,
    uncovered,
    whole,
)

ROOTS = ["plant", "plant/site-a", "plant/site-b", "plant/site-a/line-1", "works"]
DRIVES = ["kiln-feed", "press-1", "press-2", "site-a"]
FORMS = ["pulses", "lag", "status"]
partitions = st.builds(
    Partition,
    roots=st.lists(st.sampled_from(ROOTS), min_size=1, max_size=3, unique=True).map(tuple),
    drives=st.none() | st.frozensets(st.sampled_from(DRIVES), min_size=1),
)
TOPICS = [f"{root}/{drive}/{form}" for root in ROOTS for drive in DRIVES for form in [*FORMS, "elongation"]]


def takes(partition: Partition, topic: str) -> bool:
    return any(topic_matches_sub(each, topic) for each in filters(partition))


@given(partition=partitions)
def test_a_partition_takes_what_devices_send_under_its_roots_of_its_drives_and_nothing_else(
    partition: Partition,
) -> None:
    for topic in TOPICS:
        root, drive, form = topic.rsplit("/", 2)
        wanted = partition.drives is None or drive in partition.drives
        assert takes(partition, topic) == (root in partition.roots and wanted and form in FORMS)


@given(one=partitions, other=partitions)
def test_two_partitions_cross_where_some_topic_matches_filters_of_both(
    one: Partition, other: Partition
) -> None:
    shown = crossing(one, other)
    assert bool(shown) == any(takes(one, topic) and takes(other, topic) for topic in TOPICS)
    assert bool(shown) == bool(crossing(other, one))
    if shown:
        example = shown.replace("+", DRIVES[0])
        assert takes(one, example)
        assert takes(other, example)


@given(partition=partitions)
def test_the_root_of_each_topic_that_it_takes_is_found(partition: Partition) -> None:
    for topic in filter(lambda topic: takes(partition, topic), TOPICS):
        assert root_of(topic, partition.roots) == topic.rsplit("/", 2)[0]


def test_each_pair_that_crosses_is_named_with_a_filter_that_shows_it() -> None:
    given_ = {
        "a": Partition(roots=("plant/site-a",)),
        "b": Partition(roots=("plant/site-b", "plant/site-a"), drives=frozenset({"kiln-feed"})),
        "c": Partition(roots=("plant/site-b",), drives=frozenset({"press-1"})),
    }
    assert crossings(given_) == [("a", "b", "plant/site-a/kiln-feed/pulses")]


def test_drives_that_no_partition_names_are_uncovered_unless_one_takes_all() -> None:
    named = Partition(roots=("plant",), drives=frozenset({"press-1"}))
    assert uncovered(["press-2", "kiln-feed", "press-1"], [named]) == ["kiln-feed", "press-2"]
    assert uncovered(["press-2"], [named, Partition(roots=("works",))]) == []


def test_a_worker_speaks_of_its_own_drives_only_and_under_the_root_they_speak_under() -> None:
    assert home_of(whole("plant"), "press-1", {}) == "plant"
    named = Partition(roots=("plant",), drives=frozenset({"press-1"}))
    assert home_of(named, "press-1", {}) == "plant"
    assert home_of(named, "press-2", {"press-2": "plant"}) is None, "an old session still has its filter"
    by_root = Partition(roots=("plant",))
    assert home_of(by_root, "press-1", {}) is None, "it may be another worker's until it was heard"
    assert home_of(by_root, "press-1", {"press-1": "plant"}) == "plant"
    two = Partition(roots=("plant", "works"), drives=frozenset({"press-1"}))
    assert home_of(two, "press-1", {}) is None
    assert home_of(two, "press-1", {"press-1": "works"}) == "works"


@pytest.mark.parametrize(("roots", "drives"), [((), None), (("plant",), frozenset[str]())])
def test_a_partition_that_takes_nothing_is_refused(
    roots: tuple[str, ...], drives: frozenset[str] | None
) -> None:
    with pytest.raises(ValueError, match="takes nothing"):
        Partition(roots=roots, drives=drives)
