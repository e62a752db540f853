"""The feed for calendar programs, read by a library that did not write it; by the bytes where RFC 5545 says how they are."""

import base64
import re
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import vobject
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.calendar_feed import Feed, as_calendar
from service.core.drive import Chain, Drive
from service.core.people import Role
from service.core.planned_stop import PlannedStop
from service.core.prognosis import Outcome
from service.core.replacement import Change, Facts, Outlook, plan_changes
from service.core.supply import Terms
from tests.adapters.web.people_plant import PeoplePlant, a_people_plant
from tests.adapters.web.plant import API, NOW_NS, Plant
from tests.adapters.web.test_changes import set_supply, with_drive
from tests.contracts.given import DAY_NS, S

BERLIN = ZoneInfo("Europe/Berlin")
ICS = f"{API}/changes.ics"


def feed(changed_ns: int = 0, now_ns: int = NOW_NS) -> Feed:
    return Feed(
        name="Chains to order and change",
        instance="store-1",
        address="https://plant.example",
        changed_ns=changed_ns,
        now_ns=now_ns,
    )


def ns(at: datetime) -> int:
    return int(at.timestamp()) * 10**9


def a_change(
    at_ns: int = NOW_NS + 80 * DAY_NS,
    *stops: PlannedStop,
    now_ns: int = NOW_NS,
    made_ns: int = NOW_NS - 3600 * S,
    outcome: Outcome = Outcome.FORECAST,
    lead_days: int | None = 14,
    risk: float = 0.1,
    **drive: Any,
) -> Change:
    """A change that is due at an instant."""
    points = ((0.1, at_ns), (0.5, at_ns + 30 * DAY_NS)) if outcome is Outcome.FORECAST else ()
    facts = Facts(
        drive=Drive(drive_id="press-3", **({"name": "Feed chain", "site": "Talheim"} | drive)),
        chain=Chain(
            chain_id="press-3-a",
            drive_id="press-3",
            designation="16B-1",
            pitch_mm=25.4,
            fitted_ns=NOW_NS - 900 * DAY_NS,
        ),
        outlook=Outlook(made_ns=made_ns, outcome=outcome, points=points),
        terms=Terms(lead_days=lead_days, margin_days=0),
        stops=stops,
        zone=BERLIN,
    )
    [change] = plan_changes([facts], now_ns=now_ns, risk=risk)
    return change


def events(body: bytes) -> dict[str, Any]:
    """The entries by the kind that their UID begins with, as vobject reads them."""
    calendar = vobject.readOne(body.decode())
    return {each.uid.value.split("-")[0]: each for each in calendar.contents.get("vevent", [])}


# What a program reads


def test_another_library_reads_two_entries_of_a_whole_day() -> None:
    found = events(as_calendar([a_change(ns(datetime(2026, 11, 29, 12, tzinfo=UTC)))], feed()))
    assert set(found) == {"order", "change"}
    change, order = found["change"], found["order"]
    assert (change.dtstart.value, change.dtend.value) == (date(2026, 11, 29), date(2026, 11, 30))
    assert order.dtstart.value == date(2026, 11, 15)
    assert change.summary.value == "Change by today: chain of Feed chain"
    assert order.summary.value == "Order by today: chain 16B-1 for Feed chain"
    assert change.location.value == "Talheim"
    assert change.transp.value == "TRANSPARENT"
    assert "lock out and tag out" in change.description.value
    assert change.url.value == "https://plant.example/drives/press-3/change"


def test_without_lead_time_there_is_a_change_and_no_order() -> None:
    assert set(events(as_calendar([a_change(lead_days=None)], feed()))) == {"change"}


@pytest.mark.parametrize("outcome", [Outcome.NO_TREND_YET, Outcome.STANDS, Outcome.RATE_NOT_ABOVE_ZERO])
def test_what_has_no_date_is_not_in_it_and_the_calendar_is_still_one(outcome: Outcome) -> None:
    body = as_calendar([a_change(outcome=outcome)], feed())
    assert events(body) == {}
    assert vobject.readOne(body.decode()).version.value == "2.0"
    assert body.count(b"BEGIN:") >= 2  # a calendar has one component at least


def test_a_stop_is_named() -> None:
    start_ns = NOW_NS + 60 * DAY_NS
    stop = PlannedStop(
        name="Boilers; off, all",
        starts_ns=start_ns,
        ends_ns=start_ns + DAY_NS,
        by="x",
        recorded_ns=0,
        number=1,
    )
    change = events(as_calendar([a_change(NOW_NS + 80 * DAY_NS, stop)], feed()))["change"]
    assert (
        change.summary.value == "Change by today: chain of Feed chain, in Boilers; off, all on Mon 9 Nov 2026"
    )


@given(
    day=st.dates(date(2026, 10, 20), date(2027, 4, 5)),
    hour=st.integers(0, 23),
    minute=st.sampled_from([0, 1, 30, 59]),
    lead=st.integers(0, 40),
)
def test_days_are_those_of_the_site_across_both_clock_changes(
    day: date, hour: int, minute: int, lead: int
) -> None:
    """25 October 2026 has 25 hours in Berlin, 28 March 2027 has 23."""
    local = datetime(day.year, day.month, day.day, hour, minute, tzinfo=BERLIN)
    at = datetime.fromtimestamp(local.timestamp(), tz=BERLIN)  # the gap moved on, as clocks do
    found = events(as_calendar([a_change(ns(local), lead_days=lead)], feed()))
    assert found["change"].dtstart.value == at.date()
    assert found["change"].dtend.value == at.date() + timedelta(days=1)
    assert found["order"].dtstart.value == max(at.date() - timedelta(days=lead), date(2026, 9, 10))


# The same entry as dates move


def test_an_entry_keeps_its_uid_as_its_date_moves_and_its_sequence_rises() -> None:
    first = events(as_calendar([a_change(NOW_NS + 80 * DAY_NS)], feed()))["change"]
    later = a_change(NOW_NS + 70 * DAY_NS, made_ns=NOW_NS + DAY_NS, now_ns=NOW_NS + DAY_NS)
    second = events(as_calendar([later], feed(now_ns=NOW_NS + DAY_NS)))["change"]
    assert first.uid.value == second.uid.value
    assert first.dtstart.value != second.dtstart.value
    assert int(second.sequence.value) > int(first.sequence.value)
    assert second.last_modified.value > first.last_modified.value


def test_the_same_facts_make_the_same_bytes_whenever_they_are_asked_for() -> None:
    change = a_change()
    assert as_calendar([change], feed()) == as_calendar([change], feed(now_ns=NOW_NS + 5 * 3600 * S))


def test_what_people_changed_counts_as_modified() -> None:
    found = events(as_calendar([a_change()], feed(changed_ns=NOW_NS + 60 * S)))["change"]
    assert found.last_modified.value == found.dtstamp.value == datetime(2026, 9, 10, 13, 1, tzinfo=UTC)


def test_each_risk_has_entries_of_its_own() -> None:
    one, other = (
        events(as_calendar([a_change(risk=risk)], feed()))["change"].uid.value for risk in (0.1, 0.2)
    )
    assert one != other


def test_what_is_due_stands_on_today_and_moves_at_midnight_of_the_site() -> None:
    reached = a_change(outcome=Outcome.LIMIT_REACHED)
    found = events(as_calendar([reached], feed()))
    assert set(found) == {"change"}
    assert found["change"].summary.value == "Change now: chain of Feed chain"
    assert found["change"].dtstart.value == date(2026, 9, 10)
    night_ns = ns(datetime(2026, 9, 10, 22, 1, tzinfo=UTC))  # a minute past midnight in Berlin
    moved = events(
        as_calendar([a_change(outcome=Outcome.LIMIT_REACHED, now_ns=night_ns)], feed(now_ns=night_ns))
    )
    assert moved["change"].dtstart.value == date(2026, 9, 11)
    assert moved["change"].last_modified.value == datetime(2026, 9, 10, 22, tzinfo=UTC)


def test_an_order_that_is_late_stands_on_today() -> None:
    late = events(as_calendar([a_change(NOW_NS + 10 * DAY_NS)], feed()))["order"]
    assert late.summary.value == "Order now, late: chain 16B-1 for Feed chain"
    assert late.dtstart.value == date(2026, 9, 10)


# Bytes


@given(
    name=st.text(
        st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"], exclude_characters="\x85"),
        min_size=1,
        max_size=150,
    ).map(str.strip)
)
def test_lines_are_folded_at_75_octets_end_in_crlf_and_come_back_as_they_were(name: str) -> None:
    """RFC 5545, 3.1 and 3.3.11."""
    body = as_calendar([a_change(name=name or "x")], feed())
    assert body.endswith(b"\r\n")
    assert b"\n" not in body.replace(b"\r\n", b"")
    for line in body.split(b"\r\n"):
        assert len(line) <= 75
        line.decode()  # no character is cut in two
    found = events(body)["change"]
    assert found.summary.value == f"Change by today: chain of {name or 'x'}"


def test_stamps_are_utc_and_days_are_dates() -> None:
    body = as_calendar([a_change()], feed()).decode()
    assert re.search(r"^DTSTAMP:\d{8}T\d{6}Z\r$", body, re.MULTILINE)
    assert re.search(r"^DTSTART;VALUE=DATE:\d{8}\r$", body, re.MULTILINE)
    assert re.search(r"^SEQUENCE:\d+\r$", body, re.MULTILINE)
    assert body.startswith("BEGIN:VCALENDAR\r\n")


# Served


def test_it_is_served_as_a_calendar_and_not_twice(plant: Plant) -> None:
    with_drive(plant)
    set_supply(plant, lead_days=14)
    answer = plant.client.get(ICS, params={"site": "Talheim"})
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert set(events(answer.content)) == {"order", "change"}
    again = plant.client.get(
        ICS, params={"site": "Talheim"}, headers={"If-None-Match": answer.headers["etag"]}
    )
    assert (again.status_code, again.content) == (304, b"")
    assert events(plant.client.get(ICS, params={"site": "Elsewhere"}).content) == {}


# Who may subscribe


@pytest.fixture(scope="module")
def people() -> Any:
    with a_people_plant() as made:
        yield made


def basic(secret: str, name: str = "calendar") -> dict[str, str]:
    return {"Authorization": f"Basic {base64.b64encode(f'{name}:{secret}'.encode()).decode()}"}


def a_secret(people: PeoplePlant, name: str, *only: str) -> str:
    return people.token(Role.VIEWER, *only, name=name)["Authorization"].removeprefix("Bearer ")


def test_a_token_counts_as_the_password_of_the_feed_and_of_nothing_else(people: PeoplePlant) -> None:
    secret = a_secret(people, "cal-1", "changes")
    assert people.client.get(ICS, headers=basic(secret)).status_code == 200
    assert people.client.get(ICS, headers=basic(secret, "")).status_code == 200
    assert people.client.get(ICS, headers={"Authorization": f"Bearer {secret}"}).status_code == 200
    for path in (f"{API}/changes", f"{API}/changes.csv", f"{API}/drives", "/changes"):
        assert people.client.get(path, headers=basic(secret)).status_code == 401


def test_a_program_is_told_how_to_ask(people: PeoplePlant) -> None:
    answer = people.client.get(ICS)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == 'Basic realm="linklag"'
    assert people.client.get(f"{API}/changes").headers["www-authenticate"] == 'Bearer realm="linklag"'


@pytest.mark.parametrize(
    "header",
    [
        "Basic",
        "Basic ",
        "Basic !!!",
        "Basic " + base64.b64encode(b"no colon").decode(),
        "Basic " + base64.b64encode(b"a:wrong").decode(),
        "Basic " + base64.b64encode(b"\xff\xfe:x").decode(),
        "Basic " + "A" * 5000,
        "Digest x",
    ],
)
def test_what_is_no_token_gets_nothing(people: PeoplePlant, header: str) -> None:
    assert people.client.get(ICS, headers={"Authorization": header}).status_code == 401


def test_a_password_of_a_person_is_none_of_the_feed(people: PeoplePlant) -> None:
    from tests.adapters.web.people_plant import PASSWORD

    if people.ports.people.person("v.viewer") is None:
        people.add(Role.VIEWER)
    assert people.client.get(ICS, headers=basic(PASSWORD, "v.viewer")).status_code == 401


def test_a_token_for_other_parts_or_revoked_opens_no_feed(people: PeoplePlant) -> None:
    other = a_secret(people, "cal-2", "readings")
    assert people.client.get(ICS, headers=basic(other)).status_code == 403
    mine = a_secret(people, "cal-3", "changes")
    people.ports.tokens.revoke("cal-3", NOW_NS)
    assert people.client.get(ICS, headers=basic(mine)).status_code == 401


def test_a_token_in_the_address_opens_nothing(people: PeoplePlant) -> None:
    secret = a_secret(people, "cal-4", "changes")
    assert people.client.get(f"{ICS}?token={secret}").status_code == 401
    assert people.client.get(ICS.replace("changes.ics", f"{secret}/changes.ics")).status_code in {401, 404}
