"""Lives and their ends: what is censored, what a change splits, and what may be said of it."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.fields import FieldsRefusedError
from service.core.life import (
    DAY_NS,
    Comparison,
    ElongationSource,
    Life,
    LifeUnit,
    Removal,
    RemovalKind,
    Survival,
    comparison_words,
    enough,
    known,
    median_words,
    split_at,
)

A_LIFE = Life(
    chain_id="a-1",
    drive_id="a",
    drive_class="feed",
    designation="16B-1",
    fitted_ns=100 * DAY_NS,
    until_ns=300 * DAY_NS,
    kind=RemovalKind.WORN,
    hours=3000.0,
    passages=2e8,
)
A_REMOVAL = Removal(chain_id="a-1", kind=RemovalKind.WORN, by="M. Brandt", recorded_ns=300 * DAY_NS)
LIVES = st.builds(
    lambda start, days, kind: replace(
        A_LIFE, fitted_ns=start * DAY_NS, until_ns=(start + days) * DAY_NS, kind=kind
    ),
    st.integers(0, 1000),
    st.integers(1, 1000),
    st.sampled_from([None, *RemovalKind]),
)


@pytest.mark.parametrize("kind", [None, *RemovalKind])
def test_only_wear_ends_a_life(kind: RemovalKind | None) -> None:
    assert replace(A_LIFE, kind=kind).ended == (kind is RemovalKind.WORN)


def test_a_life_is_told_in_each_unit() -> None:
    assert [A_LIFE.length(unit) for unit in LifeUnit] == [200.0, 3000.0, 2e8]
    assert known([A_LIFE, replace(A_LIFE, hours=None), replace(A_LIFE, hours=0.0)], LifeUnit.HOURS) == [
        A_LIFE
    ]


@given(st.lists(LIVES, max_size=8), st.integers(0, 2200))
def test_a_change_splits_all_time_lived_before_and_after_it(lives: list[Life], change: int) -> None:
    before, after = split_at(lives, {"a": change * DAY_NS})
    assert len(before) + len(after) == len(lives)
    assert all(each.until_ns <= change * DAY_NS for each in before)
    assert all(each.fitted_ns >= change * DAY_NS for each in after)
    across = [each for each in lives if each.fitted_ns < change * DAY_NS < each.until_ns]
    assert sum(each.ended for each in [*before, *after]) == sum(
        each.ended for each in lives if each not in across
    )


def test_a_chain_that_was_on_at_the_change_is_censored_there_with_its_share_of_hours() -> None:
    (cut,), after = split_at([A_LIFE], {"a": 150 * DAY_NS})
    assert after == []
    assert (cut.kind, cut.days, cut.hours, cut.passages) == (None, 50.0, 750.0, 5e7)


def test_drives_without_the_change_are_on_neither_side() -> None:
    assert split_at([A_LIFE], {"b": 0}) == ([], [])


def test_five_worn_chains_on_either_side_are_the_least() -> None:
    still_on = replace(A_LIFE, kind=None)
    assert enough([A_LIFE] * 5, [A_LIFE] * 5)
    assert not enough([A_LIFE] * 5, [A_LIFE] * 4 + [still_on] * 9)


MEDIAN = Survival(count=21, ended=9, median=230.0, low=130.0, high=None, longest=350.0)


@pytest.mark.parametrize(
    ("survival", "said"),
    [
        (MEDIAN, "9 of 21 chains worn out; half live longer than 230 days (95 %: 130 days to not yet known)"),
        (
            replace(MEDIAN, median=None),
            "9 of 21 chains worn out: more than half outlive 350 days, no median yet",
        ),
        (Survival(count=1, ended=0), "0 of 1 chain worn out: nothing can be said of their life yet"),
        (Survival(count=0, ended=0), "no chain whose life is known in this unit"),
    ],
)
def test_a_median_is_told_with_what_it_rests_on(survival: Survival, said: str) -> None:
    assert median_words(survival, LifeUnit.DAYS) == said


def test_a_comparison_never_says_more_than_it_knows() -> None:
    few = Comparison(before=MEDIAN, after=replace(MEDIAN, ended=2))
    assert comparison_words(few).startswith("Nothing can be said yet: 9 chains were worn out before")
    none = Comparison(before=MEDIAN, after=MEDIAN, chi2=1.0, p=0.32)
    assert comparison_words(none).startswith("No difference can be told (log-rank test, p = 0.32).")
    assert "no proof that there is none" in comparison_words(none)
    longer = Comparison(before=MEDIAN, after=replace(MEDIAN, median=None), chi2=9.0, p=0.0027)
    assert comparison_words(longer).startswith("Chains live longer since the change")
    assert "does not say why" in comparison_words(longer)
    shorter = Comparison(before=MEDIAN, after=replace(MEDIAN, median=90.0), chi2=19.0, p=1e-5)
    assert "live shorter since the change" in comparison_words(shorter)
    assert "p below 0.001" in comparison_words(shorter)


@pytest.mark.parametrize(
    ("field", "wrong"),
    [
        ({"chain_id": ""}, "chain_id"),
        ({"kind": "worn out"}, "kind"),
        ({"elongation_pct": 99.0}, "elongation_pct"),
        ({"u_pct": 0.1}, "u_pct"),
        ({"hours": -1.0}, "hours"),
        ({"note": " x"}, "note"),
    ],
)
def test_a_removal_that_cannot_be_is_refused_with_the_field(field: dict[str, Any], wrong: str) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        replace(A_REMOVAL, **field)
    assert set(refused.value.problems) == {wrong}


def test_a_removal_may_know_its_elongation() -> None:
    known_of = replace(A_REMOVAL, elongation_pct=1.9, u_pct=0.02, source=ElongationSource.BY_HAND)
    assert (known_of.elongation_pct, known_of.source) == (1.9, "by hand")
