"""The pages of alerts: what they say, what their forms do, and that they read without a script."""

import re
from dataclasses import replace

import pytest

from service.core.alert import Event
from service.core.route import Route, Way
from service.core.setpoint import ConditionKind
from tests.adapters.web.alerted import CUTTER, KILN, happen, occur, with_alerts, with_drives
from tests.adapters.web.plant import NOW_NS, Plant, add
from tests.contracts.given import S
from tests.fakes_alerts import FakeAlertLog

NEAR = "kiln-car-2.near"


def plain(page: str) -> str:
    """The words of a page, without tags."""
    main = page.split('<main id="main">')[1].split("</main>", maxsplit=1)[0]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", main))


def listed(page: str) -> str:
    """The words of a page without what can be chosen there to sift by."""
    return plain(re.sub(r'<form method="get".*?</form>', "", page, flags=re.DOTALL))


def state_of(plant: Plant, alert_id: str = NEAR) -> str:
    alert = plant.ports.alert_log.alert(alert_id)
    assert alert is not None
    return alert.state


def fields_of(page: str, action: str) -> dict[str, str]:
    """The hidden fields of the first form that posts there, as a browser would send them."""
    found = re.search(rf'<form method="post" action="{re.escape(action)}"[^>]*>(.*?)</form>', page, re.DOTALL)
    assert found is not None, action
    return dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', found[1]))


# What they say


def test_with_no_alerts_the_page_says_so(plant: Plant) -> None:
    assert "No alert stands" in plain(plant.page("/alerts"))
    assert "No alert is over yet" in plain(plant.page("/alerts?past=yes"))


def test_what_stands_is_in_groups_by_priority_and_each_says_how_soon_to_answer(plant: Plant) -> None:
    with_alerts(plant)
    words = listed(plant.page("/alerts"))
    order = [
        "Answer first",
        "Elongation at the limit",
        "Answer next",
        "Elongation close to the limit",
        "To be planned",
        "A bad joint",
        "Kept quiet",
        "Sensing out of order",
        "Device offline",
        "No reading while it should give some",
    ]
    places = [words.index(each) for each in order]
    assert places == sorted(places)
    assert "A sensor has moved" not in words


def test_an_alert_says_where_how_much_what_to_do_and_who_is_on_it(plant: Plant) -> None:
    with_alerts(plant)
    words = plain(plant.page("/alerts"))
    for said in (
        "Kiln car pusher 2 Lehmgrund / Kiln / B",
        "91.2 ± 0.8 % of the limit, setpoint 90 % of the limit",
        "Order a chain, and change it at the next stop.",
        "m.brandt is on it since 8 Sep 2026, 13:00, work order WO-4711.",
        "Nobody is on it yet.",
        "nobody has acknowledged that it was there",
        "Shelved until 11 Sep 2026, 13:00: network is rebuilt (k.oster)",
        "Out of service, to be looked at again by 19 Sep 2026, 13:00: bracket off (k.oster)",
        "Suppressed by design: the drive stands (linklag)",
    ):
        assert said in words


def test_where_somebody_is_sent_to_a_drive_the_cautions_stand_on_the_page(plant: Plant) -> None:
    with_alerts(plant)
    for path in ("/alerts", f"/alerts/{NEAR}", "/drives/kiln-car-2"):
        page = plant.page(path)
        assert page.count('id="cautions-h"') == 1
        assert 'href="#cautions-h"' in page
        assert "Lock out and tag out" in page
    assert 'href="#cautions-h"' not in plant.page("/alerts/cutter-1.device_offline")


def test_priority_is_told_by_shape_and_word_and_not_by_colour_alone(plant: Plant) -> None:
    with_alerts(plant)
    for level, word, path in ((3, "high", "at_limit"), (2, "medium", "near"), (1, "low", "bad_joint")):
        page = plant.page(f"/alerts/kiln-car-2.{path}")
        mark = page.split('class="priority')[1].split("</svg>")[0]
        assert f'aria-label="priority {word}"' in mark
        assert (mark.count('class="full"'), mark.count('class="empty"')) == (level, 3 - level)
        assert f"priority {word}." in plain(page)


def test_a_name_with_markup_stays_a_name(plant: Plant) -> None:
    with_alerts(plant)
    happen(plant, "hoist-4", ConditionKind.SENSING_FAILED, Event.COMMENT, by="<b>x", why="<script>alert(1)")
    for path in ("/alerts", "/alerts/hoist-4.sensing_failed", "/drives/hoist-4", "/"):
        page = plant.page(path)
        assert "<script>alert" not in page
        assert "Hoist <4>" not in page
        assert "Hoist &lt;4&gt;" in page


@pytest.mark.parametrize(
    ("query", "shown", "hidden"),
    [
        ("site=Sandfeld", "Hoist", "Kiln car"),
        ("area=Kiln", "A bad joint", "Cutter"),
        ("line=A", "Device offline", "A bad joint"),
        ("priority=high", "Elongation at the limit", "Elongation close to"),
        ("state=acknowledged", "Elongation close to the limit", "A bad joint"),
        ("state=shelved", "Device offline", "Sensing out of order"),
        ("state=normal", "Elongation at the limit", "nothing that is not there"),
        ("kind=bad_joint", "A bad joint", "Elongation"),
        ("kind=bad_joint&site=Sandfeld", "No alert stands of those that you asked for", "A bad joint"),
        ("past=yes&state=acknowledged", "A sensor has moved", "A bad joint"),
        ("page=2&past=yes", "There are no more", "A sensor has moved"),
        ("priority=nonsense", "Elongation at the limit", "nothing that is not there"),
        ("past=yes", "A sensor has moved", "A bad joint"),
        ("past=yes&amp;site=Lehmgrund".replace("&amp;", "&"), "No alert is over yet", "A sensor has moved"),
    ],
)
def test_one_can_look_at_some_only(plant: Plant, query: str, shown: str, hidden: str) -> None:
    with_alerts(plant)
    words = listed(plant.page(f"/alerts?{query}"))
    assert shown in words
    assert hidden not in words


def test_what_is_asked_for_stays_in_the_form_and_in_the_address_after_an_act(plant: Plant) -> None:
    with_alerts(plant)
    query = "site=Lehmgrund&line=B"
    page = plant.page(f"/alerts?{query}")
    assert '<option value="Lehmgrund" selected>' in page
    action = "/alerts/kiln-car-2.at_limit/acknowledge"
    answer = plant.post_form(action, **fields_of(page.replace("&amp;", "&"), action))
    assert answer.headers["location"] == f"/alerts?{query}#kiln-car-2.near"


def test_after_the_last_of_a_list_comes_the_one_before_it(plant: Plant) -> None:
    with_alerts(plant)
    action = "/alerts/kiln-car-2.bad_joint/acknowledge"
    page = plant.page("/alerts?line=B")
    answer = plant.post_form(action, **fields_of(page, action))
    assert answer.headers["location"] == "/alerts?line=B#kiln-car-2.near"
    with_one = plant.page("/alerts?kind=device_offline")
    action = "/alerts/cutter-1.device_offline/unshelve"
    answer = plant.post_form(action, **fields_of(with_one, action))
    assert answer.headers["location"] == "/alerts?kind=device_offline"


@pytest.mark.parametrize(
    "asked", ["//elsewhere.example", "site=" + "x" * 300, "\r\nX: y", "%00", "past=yes#x"]
)
def test_what_a_form_says_of_its_list_leads_nowhere_else(plant: Plant, asked: str) -> None:
    with_drives(plant)
    occur(plant)
    answer = plant.post_form(
        f"/alerts/{NEAR}/comments", why="x", back="alerts", list=asked, next="//x?y=1#z\r\n"
    )
    assert answer.status_code == 303
    location = answer.headers["location"]
    assert re.fullmatch(r"/alerts(\?past=[\w%]+)?#//x%3Fy%3D1%23z%0D%0A", location), location


def test_what_is_over_comes_by_pages_the_newest_first(plant: Plant) -> None:
    for number in range(60):
        drive_id = f"d-{number:02}"
        plant.ports.register.add_drive(replace(KILN, drive_id=drive_id, name=f"Drive {number:02}"))
        occur(plant, drive_id, at_ns=NOW_NS - (9000 - number) * S)
        happen(
            plant, drive_id, ConditionKind.NEAR, Event.ACKNOWLEDGE, by="m", at_ns=NOW_NS - (8000 - number) * S
        )
        happen(plant, drive_id, ConditionKind.NEAR, Event.CLEAR, at_ns=NOW_NS - (7000 - number) * S)
    first, second = (plain(plant.page(f"/alerts?past=yes&page={page}")) for page in (1, 2))
    assert first.index("Drive 59") < first.index("Drive 10")
    assert "Drive 09" not in first
    assert "Page 1 of 2, 60 in all" in first
    assert "Drive 09" in second
    assert "Drive 10" not in second
    older = plant.page("/alerts?past=yes&site=Lehmgrund")
    assert 'rel="next" href="/alerts?site=Lehmgrund&amp;past=yes&amp;page=2"' in older


def test_hundreds_that_stand_come_by_pages_and_each_is_on_one_of_them(plant: Plant) -> None:
    for number in range(130):
        drive_id = f"d-{number:03}"
        plant.ports.register.add_drive(replace(KILN, drive_id=drive_id, name=f"Drive {number:03}"))
        occur(plant, drive_id)
        if number >= 90:
            happen(plant, drive_id, ConditionKind.NEAR, Event.SUPPRESS, why="fell silent together")
    first, second = plant.page("/alerts"), plant.page("/alerts?page=2")
    ids = [re.findall(r'<article[^>]* id="([^"]+)"', page) for page in (first, second)]
    assert [len(each) for each in ids] == [100, 30]
    assert len({*ids[0], *ids[1]}) == 130
    assert "Page 1 of 2, 130 in all" in plain(first)
    assert "Answer next 90" in plain(first)
    assert "Kept quiet 40" in plain(first)
    assert "Kept quiet 40" in plain(second)
    assert "No alert stands" not in plain(second)
    assert plant.page("/alerts?page=77").count("<article") == 30


def test_an_alert_says_how_soon_to_answer_as_its_rule_does(plant: Plant) -> None:
    with_alerts(plant)
    words = plain(plant.page("/alerts?kind=at_limit"))
    assert "to be answered within days" in words  # grave, and still days: its group promises no time
    assert "Answer first" in words
    assert "Within the shift" not in words


def test_a_route_by_which_nothing_goes_out_is_told_in_one_line(plant: Plant) -> None:
    with_drives(plant)
    assert "Nothing gets out" not in plant.page("/alerts")
    route = Route(route_id="mail", name="Mail of the shift", way=Way.MQTT, target="plant/alerts")
    plant.ports.outbox.add(route, 0)
    plant.ports.outbox.failed("mail", "no answer", NOW_NS, NOW_NS + S)
    page = plant.page("/alerts")
    assert "Nothing gets out by Mail of the shift." in plain(page)
    assert 'href="/routes"' in page.split("routes-down")[1].split("</div>")[0]
    assert "Nothing gets out by Mail of the shift." in plain(plant.page("/"))


def test_a_history_is_the_newest_first_with_both_times_where_they_differ(plant: Plant) -> None:
    with_drives(plant)
    at_ns = plant.app.state.parts.now_ns()
    occur(plant, at_ns=at_ns - 7200 * 10**9, recorded_ns=at_ns - 60 * 10**9)
    happen(plant, "kiln-car-2", ConditionKind.NEAR, Event.ACKNOWLEDGE, by="m.brandt", why="on my round")
    words = plain(plant.page(f"/alerts/{NEAR}")).split("What happened")[1]
    assert words.index("acknowledged") < words.index("occurred")
    assert "on my round" in words
    assert "recorded 10 Sep 2026, 12:59" in words


def test_an_alert_that_never_was_has_no_page(plant: Plant) -> None:
    with_drives(plant)
    assert "nothing ever happened" in plant.page(f"/alerts/{NEAR}", 404)


def test_a_drive_that_sends_nothing_shows_its_alerts_and_so_does_the_board(plant: Plant) -> None:
    with_alerts(plant)
    drive = plain(plant.page("/drives/kiln-car-2"))
    assert drive.index("Elongation at the limit") < drive.index("Elongation close to the limit")
    assert "Device offline" not in drive
    board = plain(plant.page("/"))
    assert "Elongation at the limit : nobody is on it yet" in board
    assert "Elongation close to the limit : m.brandt is on it, WO-4711" in board
    assert "Device offline" not in board  # shelved: it is to be quiet


def test_every_page_tells_how_many_wait_for_an_answer(plant: Plant) -> None:
    add(plant, "a", 1.0)
    assert "to answer" not in plant.page("/")
    with_alerts(plant)
    for path in ("/", "/alerts", "/plan", "/drives/a"):
        assert "2 to answer" in plant.page(path)


def test_a_store_that_is_down_still_lets_the_page_of_the_problem_be_shown(fake_plant: Plant) -> None:
    alert_log = fake_plant.ports.alert_log
    assert isinstance(alert_log, FakeAlertLog)
    alert_log.down = "the disk is full"
    assert "the disk is full" in fake_plant.page("/alerts", 503)


# What their forms do


@pytest.mark.parametrize("path", ["/alerts", f"/alerts/{NEAR}", "/drives/kiln-car-2"])
def test_acknowledging_leads_back_to_where_one_was(plant: Plant, path: str) -> None:
    with_drives(plant)
    occur(plant)
    action = f"/alerts/{NEAR}/acknowledge"
    answer = plant.post_form(action, **fields_of(plant.page(path), action))
    assert answer.status_code == 303
    assert answer.headers["location"].split("#")[0] == path
    assert state_of(plant) == "acknowledged"
    assert action not in plant.page(path)


def test_a_form_sent_twice_is_done_once(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    fields = fields_of(plant.page("/alerts"), f"/alerts/{NEAR}/comments")
    for _ in range(2):
        answer = plant.post_form(f"/alerts/{NEAR}/comments", why="clicks", **fields)
        assert answer.status_code == 303
    assert plant.ports.alert_log.newest_number() == 2


@pytest.mark.parametrize(
    ("act", "fields", "state"),
    [
        ("acknowledge", {}, "acknowledged"),
        ("shelve", {"until": "2026-09-12T06:00", "why": "stop"}, "shelved"),
        ("out-of-service", {"review": "2026-10-12T06:00", "why": "rebuild"}, "out_of_service"),
        ("comments", {"why": "clicks"}, "unacknowledged"),
        ("work-order", {"work_order": "WO-7"}, "unacknowledged"),
    ],
)
def test_each_form_does_what_it_says(plant: Plant, act: str, fields: dict[str, str], state: str) -> None:
    with_drives(plant)
    occur(plant)
    action = f"/alerts/{NEAR}/{act}"
    hidden = fields_of(plant.page(f"/alerts/{NEAR}"), action)
    answer = plant.post_form(action, **hidden, **fields)
    assert answer.status_code == 303
    assert state_of(plant) == state
    for said in list(fields.values())[-1:]:
        assert said in plain(plant.page(f"/alerts/{NEAR}"))


def test_what_was_shelved_or_taken_out_can_be_brought_back(plant: Plant) -> None:
    with_alerts(plant)
    for alert_id, act in (
        ("cutter-1.device_offline", "unshelve"),
        ("cutter-1.no_reading", "back-in-service"),
    ):
        action = f"/alerts/{alert_id}/{act}"
        assert plant.post_form(action, **fields_of(plant.page("/alerts"), action)).status_code == 303
    assert state_of(plant, "cutter-1.device_offline") == "unacknowledged"
    assert state_of(plant, "cutter-1.no_reading") == "normal"


@pytest.mark.parametrize("act", ["acknowledge", "comments"])
def test_the_second_of_two_sees_what_the_first_did_and_loses_nothing_typed(plant: Plant, act: str) -> None:
    with_drives(plant)
    occur(plant)
    hidden = fields_of(plant.page("/alerts"), f"/alerts/{NEAR}/{act}")
    happen(plant, "kiln-car-2", ConditionKind.NEAR, Event.ACKNOWLEDGE, by="m.brandt")
    answer = plant.post_form(f"/alerts/{NEAR}/{act}", **hidden, why="clicks at the tail")
    assert answer.status_code == 409
    words = plain(answer.text)
    assert "Nothing was done" in words
    assert "acknowledge by m.brandt" in words
    assert "m.brandt is on it" in words
    if act == "comments":
        assert 'value="clicks at the tail"' in answer.text
        again = fields_of(answer.text, f"/alerts/{NEAR}/{act}")
        assert plant.post_form(f"/alerts/{NEAR}/{act}", **again, why="clicks").status_code == 303


@pytest.mark.parametrize(
    ("act", "fields", "named"),
    [
        ("shelve", {"until": "2026-12-12T06:00", "why": "stop at the weekend"}, "within 30 days"),
        ("shelve", {"until": "", "why": "x"}, "is no date and time"),
        ("shelve", {"until": "2026-09-12T06:00", "why": ""}, "give a reason"),
        ("out-of-service", {"review": "2026-09-01T06:00", "why": "x"}, "after now"),
        ("comments", {"why": " "}, "write something"),
        ("work-order", {"work_order": "x" * 201}, "too many"),
    ],
)
def test_what_cannot_be_comes_back_with_what_was_typed_and_the_fix(
    plant: Plant, act: str, fields: dict[str, str], named: str
) -> None:
    with_drives(plant)
    occur(plant)
    answer = plant.post_form(f"/alerts/{NEAR}/{act}", seq="1", key="k", **fields)
    assert answer.status_code == 422
    assert named in plain(answer.text)
    assert '<details class="more" open>' in answer.text
    for said in fields.values():
        assert not said.strip() or f'value="{said}"' in answer.text
    assert plant.ports.alert_log.newest_number() == 1


def test_those_that_are_ticked_are_acknowledged_at_once(plant: Plant) -> None:
    with_alerts(plant)
    page = plant.page("/alerts")
    ticked = re.findall(r'type="checkbox" name="alert" value="([^"]+)" form="many"', page)
    assert {each.split()[0] for each in ticked} == {
        "kiln-car-2.at_limit",
        "kiln-car-2.bad_joint",
        "hoist-4.sensing_failed",
        "cutter-1.device_offline",
    }
    chosen = [each for each in ticked if "kiln" in each]
    headers = {"Accept": "text/html", "Origin": "http://127.0.0.1:8390"}
    answer = plant.client.post(
        "/alerts/acknowledge",
        data={"alert": chosen, "key": "one"},
        headers=headers,
        follow_redirects=False,
    )
    assert answer.status_code == 303
    assert state_of(plant, "kiln-car-2.at_limit") == "acknowledged"
    assert state_of(plant, "kiln-car-2.bad_joint") == "normal"
    assert state_of(plant, "hoist-4.sensing_failed") == "suppressed_by_design"


def test_of_many_what_could_not_be_done_is_named(plant: Plant) -> None:
    with_alerts(plant)
    answer = plant.post_form("/alerts/acknowledge", alert="kiln-car-2.at_limit 0", key="one")
    assert answer.status_code == 409
    assert "kiln-car-2.at_limit has changed meanwhile" in plain(answer.text)
    answer = plant.post_form("/alerts/acknowledge", key="two")
    assert "tick those that you saw" in plain(answer.text)


@pytest.mark.parametrize("back", ["https://elsewhere.example/", "//elsewhere.example", "", "x"])
def test_a_form_leads_nowhere_else(plant: Plant, back: str) -> None:
    with_drives(plant)
    occur(plant)
    answer = plant.post_form(f"/alerts/{NEAR}/comments", why="x", back=back)
    assert answer.headers["location"] == f"/alerts/{NEAR}"


def test_an_answer_to_an_alert_that_never_was_is_a_problem(plant: Plant) -> None:
    with_drives(plant)
    assert plant.post_form("/alerts/nothing.near/acknowledge").status_code == 404
    assert plant.post_form("/alerts/kiln-car-2.near/unshelve").status_code == 404


def test_every_form_can_be_filled_in_by_keyboard_and_read_aloud(plant: Plant) -> None:
    """Each field has a label of its own, each id stands once, each button says of which alert it is."""
    with_alerts(plant)
    for path in ("/alerts", f"/alerts/{NEAR}", f"/drives/{KILN.drive_id}", f"/drives/{CUTTER.drive_id}"):
        page = plant.page(path)
        ids = re.findall(r'\bid="([^"]+)"', page)
        assert len(ids) == len(set(ids))
        for given in re.findall(r"<input ([^>]+)>", page):
            named = "hidden" in given or "aria-label" in given
            own = re.search(r'id="([^"]+)"', given)
            assert named or (own and f'<label for="{own[1]}"' in page), given
