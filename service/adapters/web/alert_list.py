"""Which alerts a page is asked for, as its address says it, and how one comes back to the same list. Decides nothing about alerts."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from urllib.parse import parse_qsl, quote, urlencode

from pydantic import BaseModel, Field, ValidationError

from service.adapters.web.alert_words import STATES, TITLES
from service.adapters.web.alerts import Filters
from service.core.alert import Annunciation, Hold
from service.core.setpoint import ConditionKind, Priority

PAGE = 50  # alerts that are over, on one page
STANDING_PAGE = 100  # alerts that stand; each has its forms, and a browser takes seconds over a thousand
PAGE_MOST = 10_000
QUERY_MAX = 2000  # characters of a list's address that a form hands back
STATES_ASKED = (
    Annunciation.UNACKNOWLEDGED,
    Annunciation.ACKNOWLEDGED,
    Annunciation.RETURNED,
    Hold.SHELVED,
    Hold.SUPPRESSED,
    Hold.OUT_OF_SERVICE,
)
HELD = frozenset({Hold.SHELVED, Hold.SUPPRESSED, Hold.OUT_OF_SERVICE})


class Asked(BaseModel):
    """Which alerts a page is asked for; what is none of what there is counts as left out."""

    site: str = Field(default="", max_length=200)
    area: str = Field(default="", max_length=200)
    line: str = Field(default="", max_length=200)
    priority: str = Field(default="", max_length=10)
    kind: str = Field(default="", max_length=50)
    state: str = Field(default="", max_length=50)
    past: str = Field(default="", max_length=5)
    page: str = Field(default="", max_length=10)

    def filters(self) -> Filters:
        """Return them as they are looked for."""
        states = {str(each) for each in STATES_ASKED} & {self.state} if not self.past else set()
        return Filters(
            site=self.site or None,
            area=self.area or None,
            line=self.line or None,
            priorities=frozenset(each for each in Priority if each.name.lower() == self.priority),
            kinds=frozenset(each for each in ConditionKind if each == self.kind),
            states=frozenset(states),
            standing=not self.past,
        )

    @property
    def some_only(self) -> bool:
        """Whether less than all was asked for."""
        return any((self.site, self.area, self.line, self.priority, self.kind, self.state))

    @property
    def held_only(self) -> bool:
        """Whether those were asked for that are kept quiet."""
        return self.state in {str(each) for each in HELD}

    @property
    def page_number(self) -> int:
        """Return which page is asked for, from 1 on."""
        text = self.page
        return max(1, min(int(text), PAGE_MOST)) if text.isascii() and text.isdigit() else 1

    @property
    def query(self) -> str:
        """Return what of it is not left out, as it stands in an address behind the question mark."""
        return self.query_of_page(self.page_number)

    def query_of_page(self, number: int) -> str:
        """Return the same of another page."""
        given = self.model_dump() | {"page": str(number) if number > 1 else ""}
        return urlencode({name: value for name, value in given.items() if value})


def asked_in(query: str) -> Asked:
    """Return what a form says that was asked for; all, where it makes no sense."""
    try:
        return Asked.model_validate(dict(parse_qsl(query[:QUERY_MAX])))
    except ValidationError:
        return Asked()


def back_to_list(typed: Mapping[str, str]) -> str:
    """Return the address of the list that a form stood in, at the alert that comes next in it."""
    query, after = asked_in(typed.get("list", "")).query, typed.get("next", "")[:200]
    return "/alerts" + (f"?{query}" if query else "") + (f"#{quote(after)}" if after else "")


def next_of(alert_ids: Sequence[str]) -> dict[str, str]:
    """Return which alert to go to after each: the next of the list, after the last the one before it; "" where it is alone."""
    after = dict(pairwise(alert_ids))
    if alert_ids:
        after[alert_ids[-1]] = alert_ids[-2] if len(alert_ids) > 1 else ""
    return after


@dataclass(frozen=True, slots=True)
class Choice:
    """One field to sift by: its name in the address, its label, and what can be chosen, each with its words."""

    name: str
    label: str
    options: tuple[tuple[str, str], ...]


def choices(
    kinds: Iterable[ConditionKind], places: Iterable[tuple[str, Sequence[str]]], *, past: bool
) -> list[Choice]:
    """Return the fields to sift by; kinds and places as far as there are alerts of the one and drives at the other."""
    states = () if past else tuple((str(each), STATES[each].capitalize()) for each in STATES_ASKED)
    titles = sorted(((str(kind), TITLES[kind]) for kind in kinds), key=lambda each: each[1])
    priorities = tuple((each.name.lower(), each.name.capitalize()) for each in sorted(Priority, reverse=True))
    found = [
        Choice("state", "State", states),
        Choice("kind", "What it is", tuple(titles)),
        Choice("priority", "Priority", priorities),
        *(Choice(kind, kind.capitalize(), tuple((name, name) for name in names)) for kind, names in places),
    ]
    return [each for each in found if each.options]
