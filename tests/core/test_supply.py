"""Supply: of each field the most specific counts, and what cannot be is refused with the fix."""

from typing import Any

import pytest

from service.core.fields import FieldsRefusedError
from service.core.supply import FIELDS, MARGIN_DAYS, Supply, SupplyScope, same_chain, terms_of


def a_supply(scope: SupplyScope = SupplyScope.SITE, name: str = "Talheim", **fields: Any) -> Supply:
    return Supply(scope=scope, name=name, by="H. Brandt", at_ns=1, **fields)


def terms(*supplies: Supply, designation: str = "16B-1") -> Any:
    return terms_of(supplies, site="Talheim", drive_class="feed", designation=designation, drive_id="press-3")


def test_of_each_field_the_most_specific_counts_whatever_the_order() -> None:
    given = [
        a_supply(lead_days=40, margin_days=10, ambient_low_c=5.0, ambient_high_c=30.0),
        a_supply(SupplyScope.CLASS, "feed", lead_days=30, margin_days=5),
        a_supply(SupplyScope.DESIGNATION, "16B", lead_days=20),
        a_supply(SupplyScope.DRIVE, "press-3", stock_number="K 4711"),
    ]
    for order in (given, given[::-1]):
        found = terms(*order)
        assert (found.lead_days, found.margin_days, found.stock_number) == (20, 5, "K 4711")
        assert (found.ambient_low_c, found.ambient_high_c) == (5.0, 30.0)
        assert found.days_ahead == 25
        assert found.origin["lead_days"] is SupplyScope.DESIGNATION
        assert found.origin["margin_days"] is SupplyScope.CLASS


def test_what_is_set_for_others_does_not_count() -> None:
    found = terms(
        a_supply(name="Elsewhere", lead_days=1),
        a_supply(SupplyScope.CLASS, "drum", lead_days=1),
        a_supply(SupplyScope.DESIGNATION, "16B-2", lead_days=1),
        a_supply(SupplyScope.DRIVE, "press-4", lead_days=1),
    )
    assert found.lead_days is None
    assert found.days_ahead is None
    assert not found.origin


def test_a_chain_without_designation_takes_nothing_from_a_designation() -> None:
    assert terms(a_supply(SupplyScope.DESIGNATION, "16B", lead_days=1), designation="").lead_days is None


def test_without_a_margin_a_week_is_kept() -> None:
    assert terms(a_supply(lead_days=21)).days_ahead == 21 + MARGIN_DAYS


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [("16B-1", "16b", True), ("ANSI 80", "16A-1", True), ("16B-1", "16B-2", False), ("Own 7", "own 7", True)],
)
def test_designations_are_compared_as_chains(one: str, other: str, *, same: bool) -> None:
    assert same_chain(one, other) is same


def test_prices_in_several_currencies_are_no_sum() -> None:
    mixed = terms(
        a_supply(chain_price=300.0, currency="EUR"),
        a_supply(SupplyScope.DRIVE, "press-3", stop_hour_price=900.0, currency="CHF"),
    )
    assert mixed.mixed_currencies
    assert mixed.currency is None
    assert not terms(a_supply(chain_price=300.0, currency="EUR")).mixed_currencies


@pytest.mark.parametrize(
    ("fields", "at", "said"),
    [
        ({}, "lead_days", "at least one field"),
        ({"lead_days": -1}, "lead_days", "not within"),
        ({"chain_price": 10.0}, "currency", "give the currency"),
        ({"chain_price": 10.0, "currency": "euro"}, "currency", "ISO 4217"),
        ({"currency": "EUR", "lead_days": 1}, "currency", "give a price"),
        ({"ambient_low_c": 5.0}, "ambient_high_c", "both"),
        ({"ambient_low_c": 5.0, "ambient_high_c": 4.0}, "ambient_high_c", "swap"),
        ({"centre_distance_mm": 500.0}, "centre_distance_mm", "for the drive"),
        ({"lead_days": True}, "lead_days", "no whole number"),
        ({"chain_price": float("nan"), "currency": "EUR"}, "chain_price", "not within"),
    ],
)
def test_what_cannot_be_is_refused_with_the_fix(fields: dict[str, Any], at: str, said: str) -> None:
    with pytest.raises(FieldsRefusedError) as caught:
        a_supply(**fields)
    assert said in caught.value.problems[at]


def test_all_but_a_site_need_a_name() -> None:
    assert a_supply(name="", lead_days=1).name == ""
    with pytest.raises(FieldsRefusedError, match="which class"):
        a_supply(SupplyScope.CLASS, "", lead_days=1)


def test_every_field_is_found_again() -> None:
    given = a_supply(
        SupplyScope.DRIVE,
        "press-3",
        lead_days=1,
        margin_days=2,
        chain_price=3.0,
        change_price=4.0,
        stop_hour_price=5.0,
        currency="EUR",
        unplanned_h=6.0,
        ambient_low_c=7.0,
        ambient_high_c=8.0,
        centre_distance_mm=900.0,
        stock_number="K 1",
    )
    found = terms(given)
    assert [getattr(found, name) for name in FIELDS] == [getattr(given, name) for name in FIELDS]
