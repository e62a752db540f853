"""Who fell silent together, and that whoever is kept quiet has somebody who is told in time."""

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from service.core.silence import MANY, TOGETHER_NS, Group, S, Silent, groups

SILENT = st.builds(
    Silent,
    drive_id=st.uuids().map(str),
    site=st.sampled_from(["Kiln works", "Yard"]),
    since_ns=st.integers(0, 1000).map(lambda s: s * S),
    told_ns=st.integers(1000, 3000).map(lambda s: s * S),
    may_lead=st.booleans(),
)


def silent(number: int, since_s: float, *, site: str = "Yard", may_lead: bool = True) -> Silent:
    since_ns = int(since_s * S)
    return Silent(
        drive_id=f"lift-{number}", site=site, since_ns=since_ns, told_ns=since_ns + 900 * S, may_lead=may_lead
    )


@given(st.lists(SILENT, max_size=60))
def test_each_group_has_a_leader_that_is_told_and_all_of_it_are_of_one_site_and_fell_silent_together(
    of_plant: list[Silent],
) -> None:
    by_id = {each.drive_id: each for each in of_plant}
    for group in groups(of_plant):
        members = [by_id[each] for each in group.drive_ids]
        leader = by_id[group.leader]
        assert leader in members
        assert leader.may_lead
        assert all(leader.told_ns <= each.told_ns for each in members if each.may_lead)
        assert len(members) >= MANY
        assert len({each.site for each in members}) == 1
        times = [each.since_ns for each in members]
        assert max(times) - min(times) <= TOGETHER_NS


@given(st.lists(SILENT, max_size=60), st.randoms(use_true_random=False))
def test_no_drive_is_in_two_groups_and_the_order_does_not_matter(of_plant: list[Silent], rng: Random) -> None:
    found = groups(of_plant)
    assert sum(len(each.drive_ids) for each in found) == len(
        {name for each in found for name in each.drive_ids}
    )
    mixed = of_plant.copy()
    rng.shuffle(mixed)
    assert groups(mixed) == found


def test_a_broker_that_goes_silences_all_and_one_a_site_is_told() -> None:
    plant = [silent(number, number / 50, site=("Yard", "Kiln works")[number % 2]) for number in range(500)]
    found = groups(plant)
    assert [each.leader for each in found] == ["lift-1", "lift-0"]
    assert [len(each.drive_ids) for each in found] == [250, 250]


def test_few_are_each_told() -> None:
    assert groups([silent(number, 0) for number in range(MANY - 1)]) == []


def test_those_that_fell_silent_one_after_the_other_over_a_shift_are_each_told() -> None:
    assert groups([silent(number, 600 * number) for number in range(40)]) == []


def test_who_stands_or_is_worked_on_leads_nobody() -> None:
    plant = [silent(number, number, may_lead=number > 2) for number in range(8)]
    assert groups(plant) == [Group(leader="lift-3", drive_ids=frozenset(each.drive_id for each in plant))]
    assert groups([silent(number, number, may_lead=False) for number in range(8)]) == []
