"""Setpoints: what is built in, what people may set, and which of them counts."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.condition_words import CONSEQUENCES, ENGLISH, RESPONDS
from service.core.fields import FieldsRefusedError
from service.core.setpoint import (
    BUILT_IN,
    FIELDS,
    PRIORITY_OF,
    RULES,
    STEPS,
    ConditionKind,
    Consequence,
    Counted,
    Override,
    Priority,
    Respond,
    Scope,
    deadband_of,
    effective,
)

KINDS = list(ConditionKind)
OF = {"site": "Talheim", "drive_class": "feed", "drive_id": "press-3"}


def an_override(**more: Any) -> Override:
    given: dict[str, Any] = {
        "scope": Scope.DRIVE,
        "name": "press-3",
        "kind": ConditionKind.NEAR,
        "value": 85.0,
        "why": "the new chain takes long",
        "by": "M. Brandt",
        "at_ns": 1,
    }
    return Override(**given | more)


def test_every_kind_has_a_rule_and_words() -> None:
    assert set(RULES) == set(ENGLISH) == set(ConditionKind)
    assert set(CONSEQUENCES) == set(Consequence)
    assert set(RESPONDS) == set(Respond)
    assert set(PRIORITY_OF) == {(c, r) for c in Consequence for r in Respond}


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_built_in_is_something_that_people_could_have_set(kind: ConditionKind) -> None:
    given = {name: getattr(RULES[kind].setpoint, name) for name in FIELDS}
    assert an_override(kind=kind, **given).given == {n: v for n, v in given.items() if v is not None}


@pytest.mark.parametrize("kind", KINDS)
def test_the_priority_is_that_of_consequence_and_time_to_respond(kind: ConditionKind) -> None:
    rule = RULES[kind]
    assert rule.setpoint.priority is rule.priority is PRIORITY_OF[rule.consequence, rule.respond]


def test_a_graver_or_more_urgent_condition_never_has_a_lower_priority() -> None:
    for consequence, respond in PRIORITY_OF:
        for graver in Consequence:
            for sooner in Respond:
                if graver >= consequence and sooner >= respond:
                    assert PRIORITY_OF[graver, sooner] >= PRIORITY_OF[consequence, respond]


def test_the_steps_rise_and_so_does_their_priority() -> None:
    values = [RULES[kind].setpoint.value or 0.0 for kind in STEPS]
    assert values == sorted(values) == [70.0, 90.0, 100.0]
    assert [RULES[kind].priority for kind in STEPS] == [Priority.LOW, Priority.MEDIUM, Priority.HIGH]


def test_a_condition_with_a_value_has_words_for_it_and_another_has_none() -> None:
    for kind, rule in RULES.items():
        assert bool(rule.unit) is bool(ENGLISH[kind].value) is (rule.setpoint.value is not None), kind


def test_one_noisy_reading_alone_makes_no_condition_of_the_elongation_or_the_sensing() -> None:
    for kind, rule in RULES.items():
        if rule.counts is Counted.READINGS and kind is not ConditionKind.STOPPED_WHEN_DUE:
            assert rule.readings_least >= 2, kind
            with pytest.raises(FieldsRefusedError, match="one alone may be noise"):
                an_override(kind=kind, value=None, on_readings=1)


@pytest.mark.parametrize(
    ("bad", "field"),
    [
        ({"value": 4.0}, "value"),
        ({"value": float("nan")}, "value"),
        ({"deadband": -1.0}, "deadband"),
        ({"on_readings": 0}, "on_readings"),
        ({"on_s": -1.0}, "on_s"),
        ({"off_s": 1e9}, "off_s"),
        ({"priority": 2}, "priority"),
        ({"enabled": 1}, "enabled"),
        ({"why": ""}, "why"),
        ({"name": ""}, "name"),
        ({"kind": ConditionKind.SENSOR_MOVED, "value": 1.0}, "value"),
        ({"value": None}, "kind"),
    ],
)
def test_what_cannot_be_set_is_refused_by_its_field(bad: dict[str, Any], field: str) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        an_override(**bad)
    assert list(refused.value.problems) == [field]


def test_nothing_set_leaves_what_is_built_in() -> None:
    found = effective(ConditionKind.NEAR, [], **OF)
    assert found.setpoint == RULES[ConditionKind.NEAR].setpoint
    assert set(found.origin.values()) == {BUILT_IN}


def test_the_most_specific_counts_field_by_field() -> None:
    site = an_override(scope=Scope.SITE, name="Talheim", value=80.0, deadband=3.0, on_s=5.0)
    of_class = an_override(scope=Scope.CLASS, name="feed", value=82.0, deadband=4.0)
    drive = an_override(value=84.0)
    found = effective(ConditionKind.NEAR, [drive, site, of_class], **OF)
    assert (found.setpoint.value, found.setpoint.deadband, found.setpoint.on_s) == (84.0, 4.0, 5.0)
    assert {n: found.origin[n] for n in ("value", "deadband", "on_s", "off_s")} == {
        "value": "drive",
        "deadband": "class",
        "on_s": "site",
        "off_s": BUILT_IN,
    }


def test_what_is_set_for_others_does_not_count() -> None:
    others = [
        an_override(name="press-4"),
        an_override(scope=Scope.SITE, name="Other"),
        an_override(kind=ConditionKind.AT_LIMIT),
    ]
    assert effective(ConditionKind.NEAR, others, **OF).setpoint == RULES[ConditionKind.NEAR].setpoint


def test_a_drive_without_site_or_class_takes_nothing_of_any() -> None:
    nameless = replace(an_override(), scope=Scope.SITE)
    object.__setattr__(nameless, "name", "")
    found = effective(ConditionKind.NEAR, [nameless], site="", drive_class="", drive_id="x")
    assert found.setpoint.value == 90.0


@given(
    value=st.floats(5, 150),
    order=st.permutations(list(Scope)),
    set_by=st.sets(st.sampled_from(list(Scope)), min_size=1),
)
def test_the_order_of_overrides_does_not_matter(value: float, order: list[Scope], set_by: set[Scope]) -> None:
    names = {Scope.SITE: "Talheim", Scope.CLASS: "feed", Scope.DRIVE: "press-3"}
    overrides = [
        an_override(scope=scope, name=names[scope], value=value if scope is max_of(set_by) else 50.0)
        for scope in order
        if scope in set_by
    ]
    assert effective(ConditionKind.NEAR, overrides, **OF).setpoint.value == value


def max_of(scopes: set[Scope]) -> Scope:
    return [scope for scope in Scope if scope in scopes][-1]


@given(st.floats(0, 10), st.floats(0, 10), st.floats(0.01, 1))
def test_the_deadband_is_at_least_twice_the_uncertainty(deadband: float, u: float, scale: float) -> None:
    setpoint = replace(RULES[ConditionKind.NEAR].setpoint, deadband=deadband)
    assert deadband_of(setpoint, u, scale) >= 2 * u
    assert deadband_of(setpoint, u, scale) >= deadband * scale
