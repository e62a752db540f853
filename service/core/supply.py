"""What it takes to get a new chain and to change it: lead time, margin, prices, and what the order needs to know.

Set by people for a site, a class of drives, a designation of chain or one drive; of each field the most specific counts.
Knows fields and where they come from; must not know when a chain is due.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from service.core import catalogue
from service.core.fields import (
    FieldsRefusedError,
    instant_problem,
    number_problem,
    refuse,
    text_problem,
    whole_problem,
)

MARGIN_DAYS = 7  # where none is set (common practice, no source)
LEAD_DAYS_MAX = 730
MARGIN_DAYS_MAX = 365
PRICE_MAX = 1e9
AMBIENT_C = (-60.0, 200.0)
_CURRENCY = re.compile(r"[A-Z]{3}")


class SupplyScope(StrEnum):
    """For what it was set, the least specific first."""

    SITE = "site"
    CLASS = "class"
    DESIGNATION = "designation"
    DRIVE = "drive"


PRICES = ("chain_price", "change_price", "stop_hour_price")
FIELDS = (
    "lead_days", "margin_days", *PRICES, "currency", "unplanned_h", "ambient_low_c", "ambient_high_c", "centre_distance_mm",
    "stock_number",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """What was set for one site, class, designation or drive. None: nothing of that field.

    lead_days: from order to the chain being here. margin_days: kept in hand besides. chain_price: of one chain with its
    connecting links. change_price: of the labour of a change in a planned stop. stop_hour_price: of an hour in which the
    line stands unplanned; unplanned_h: so many such hours a change that was not planned takes. currency: of the prices,
    ISO 4217. ambient_*: of the air about the drive. centre_distance_mm: of its two sprockets. stock_number: of the chain,
    as the plant's own stores have it.
    """

    scope: SupplyScope
    name: str
    lead_days: int | None = None
    margin_days: int | None = None
    chain_price: float | None = None
    change_price: float | None = None
    stop_hour_price: float | None = None
    currency: str | None = None
    unplanned_h: float | None = None
    ambient_low_c: float | None = None
    ambient_high_c: float | None = None
    centre_distance_mm: float | None = None
    stock_number: str | None = None
    why: str = ""
    by: str
    at_ns: int

    def __post_init__(self) -> None:
        price_fix = "give the price as a number, and the currency beside it"
        refuse(
            scope=None if isinstance(self.scope, SupplyScope) else f"give one of {', '.join(SupplyScope)}",
            name=text_problem(self.name) or self._name_problem(),
            lead_days=whole_problem(
                self.lead_days, 0, LEAD_DAYS_MAX, "give days; 0 where it is in the stores", optional=True
            ),
            margin_days=whole_problem(self.margin_days, 0, MARGIN_DAYS_MAX, "give days", optional=True),
            chain_price=number_problem(self.chain_price, 0, PRICE_MAX, price_fix, optional=True),
            change_price=number_problem(self.change_price, 0, PRICE_MAX, price_fix, optional=True),
            stop_hour_price=number_problem(self.stop_hour_price, 0, PRICE_MAX, price_fix, optional=True),
            currency=self._currency_problem(),
            unplanned_h=number_problem(self.unplanned_h, 0, 1000, "give hours", optional=True),
            ambient_low_c=number_problem(
                self.ambient_low_c, *AMBIENT_C, "give degrees Celsius", optional=True
            ),
            ambient_high_c=self._ambient_problem(),
            centre_distance_mm=self._centres_problem(),
            stock_number=None if self.stock_number is None else text_problem(self.stock_number),
            why=text_problem(self.why, lines=True),
            by=text_problem(self.by),
            at_ns=instant_problem(self.at_ns),
        )
        if all(getattr(self, each) is None for each in FIELDS):
            raise FieldsRefusedError({"lead_days": "give at least one field, such as the lead time"})

    def _name_problem(self) -> str | None:
        if self.name or self.scope is SupplyScope.SITE:  # drives may name no site
            return None
        return "say for which class, designation or drive it holds"

    def _currency_problem(self) -> str | None:
        priced = any(getattr(self, each) is not None for each in PRICES)
        if self.currency is None:
            return "give the currency of the prices, e.g. EUR" if priced else None
        if not isinstance(self.currency, str) or not _CURRENCY.fullmatch(self.currency):
            return "give the three letters of ISO 4217, e.g. EUR"
        return None if priced else "give a price with it, or leave it empty"

    def _ambient_problem(self) -> str | None:
        low, high = self.ambient_low_c, self.ambient_high_c
        problem = number_problem(high, *AMBIENT_C, "give degrees Celsius", optional=True)
        if problem is None and (low is None) != (high is None):
            problem = "give both the coldest and the warmest"
        if problem is None and low is not None and high is not None and high < low:
            problem = "the warmest is below the coldest; swap them?"
        return problem

    def _centres_problem(self) -> str | None:
        if self.centre_distance_mm is not None and self.scope is not SupplyScope.DRIVE:
            return "centres are those of one drive; set them for the drive"
        return number_problem(
            self.centre_distance_mm, 10, 1e6, "measure from shaft to shaft, in millimetres", optional=True
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What holds for one drive and the chain on it. origin: of each field that is set, the scope it comes from."""

    lead_days: int | None = None
    margin_days: int | None = None
    chain_price: float | None = None
    change_price: float | None = None
    stop_hour_price: float | None = None
    currency: str | None = None  # None, too, where prices are in several
    unplanned_h: float | None = None
    ambient_low_c: float | None = None
    ambient_high_c: float | None = None
    centre_distance_mm: float | None = None
    stock_number: str | None = None
    mixed_currencies: bool = False
    origin: Mapping[str, SupplyScope] = field(default_factory=dict)

    @property
    def days_ahead(self) -> int | None:
        """Days from the order to the day on which the chain is needed; None where no lead time is set."""
        if self.lead_days is None:
            return None
        return self.lead_days + (MARGIN_DAYS if self.margin_days is None else self.margin_days)


def terms_of(
    supplies: Iterable[Supply], *, site: str, drive_class: str, designation: str, drive_id: str
) -> Terms:
    """Return what holds for a drive: of each field what is set for the most specific."""
    names = {SupplyScope.SITE: site, SupplyScope.CLASS: drive_class, SupplyScope.DRIVE: drive_id}
    known = list(supplies)
    values: dict[str, object] = {}
    origin: dict[str, SupplyScope] = {}
    currencies: dict[str, str] = {}
    for scope in SupplyScope:
        for each in known:
            if each.scope is not scope:
                continue
            if scope is SupplyScope.DESIGNATION:
                holds = bool(designation) and same_chain(each.name, designation)
            else:
                holds = each.name == names[scope] and (bool(each.name) or scope is SupplyScope.SITE)
            if not holds:
                continue
            given = {name: getattr(each, name) for name in FIELDS if getattr(each, name) is not None}
            values |= given
            origin |= dict.fromkeys(given, scope)
            currencies |= {name: each.currency or "" for name in PRICES if name in given}
    mixed = len(set(currencies.values())) > 1
    if mixed:
        values["currency"] = None
    return Terms(**values, mixed_currencies=mixed, origin=origin)  # type: ignore[arg-type]


def same_chain(one: str, other: str) -> bool:
    """Return whether two designations name the same chain: 16B-1 and 16b, ANSI 80 and 16A."""
    return _key(one) == _key(other)


def _key(designation: str) -> str:
    try:
        return catalogue.find(designation).full_designation
    except catalogue.DesignationError:
        return designation.casefold()
