"""How long the year view of a drive takes in the browser, from the click to the drawn picture.

    .venv/bin/python tests/bench/year_view.py [--rounds 20] [--every 600] [--keep DIR --serve]

A store with a year of readings (one every ten minutes, 52 560) and their roll-ups, a forecast's worth of overlays: two chains,
three baselines, six measurements by hand, forty alerts that occurred and cleared. The page is opened in headless Chromium at
1280 px; the span is changed to the week and back to the year, by clicking the links. Told is `trend-drawn`, a measure of the page:
from the click's own time stamp to the second frame after the picture was put in. Beside it, in the same process and run, what the
server took of that by itself. With --serve the page stays up, to be looked at.
"""

import argparse
import statistics
import sys
import tempfile
import time
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.request import urlopen

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
from playwright.sync_api import Page, sync_playwright

from service.adapters.database.connect import Database, open_database
from service.adapters.web.app import create_app
from service.core.alert import Act, Alert, Event, advance, applied, begin
from service.core.drive import Baseline, Chain, Drive
from service.core.reading import NotMeasured
from service.core.setpoint import ConditionKind, Facts, Priority
from tests.adapters.web.plant import reading_of
from tests.adapters.web.served import served
from tests.conftest import needs
from tests.contracts.given import A_HAND_VALUE

S = 10**9
DAY_NS = 86_400 * S
DRIVE_ID = "press-conveyor"
WIDTH = 1280


def stock(store: Database, now_ns: int, every_s: int) -> int:
    """Put a year of a drive into the store; return how many readings."""
    start_ns = now_ns - 400 * DAY_NS
    changed_ns = now_ns - 250 * DAY_NS
    store.register.add_drive(
        Drive(drive_id=DRIVE_ID, name="Press conveyor", site="Brickworks", whole_pitches=24)
    )
    first = Chain(
        chain_id=f"{DRIVE_ID}-a", drive_id=DRIVE_ID, designation="16B-1", pitch_mm=25.4, fitted_ns=start_ns
    )
    store.register.fit_chain(first)
    store.register.take_off_chain(first.chain_id, changed_ns, "worn")
    store.register.fit_chain(replace(first, chain_id=f"{DRIVE_ID}-b", fitted_ns=changed_ns))
    for chain_id, at_ns, pct in (
        ("a", start_ns, 0.1),
        ("b", changed_ns, 0.05),
        ("b", changed_ns + 90 * DAY_NS, 0.9),
    ):
        store.register.record_baseline(
            Baseline(
                chain_id=f"{DRIVE_ID}-{chain_id}",
                taken_ns=at_ns + DAY_NS,
                recorded_ns=at_ns + DAY_NS,
                elongation_pct=pct,
                elongation_u_pct=0.02,
                pitches_between=23.9,
                pitches_between_u=0.001,
                recorded_by="M. Brandt",
                why="chain fitted",
            )
        )
    count = 365 * 86_400 // every_s
    rng = np.random.default_rng(4)
    rows = []
    for n in range(count):
        t_ns = now_ns - (count - 1 - n) * every_s * S
        is_new = t_ns > changed_ns
        worn: float = (
            0.05 + 2.2 * (t_ns - changed_ns) / (250 * DAY_NS)
            if is_new
            else 1.9 + (changed_ns - t_ns) / (115 * DAY_NS) * -0.9
        )
        read_pct: float | None = (
            None if n % 90 > 84 else float(worn + rng.normal(0, 0.01) + 0.02 * np.sin(n / 23))
        )
        how: dict[str, Any] = {
            "chain_id": f"{DRIVE_ID}-{'b' if is_new else 'a'}",
            "seq": n,
            "t_ns": t_ns,
            "t0_ns": t_ns - 10 * S,
        }
        rows.append(
            reading_of(
                DRIVE_ID,
                0,
                read_pct,
                **how | ({} if read_pct is not None else {"reason": NotMeasured.STOPPED}),
            )
        )
    for at in range(0, count, 5000):
        store.readings.store(rows[at : at + 5000])
    while store.readings.roll_up():
        pass
    for n in range(6):
        at_ns = changed_ns + (10 + 40 * n) * DAY_NS
        value = replace(
            A_HAND_VALUE,
            drive_id=DRIVE_ID,
            chain_id=f"{DRIVE_ID}-b",
            measured_ns=at_ns,
            recorded_ns=at_ns,
            length_mm=A_HAND_VALUE.pitches * 25.4 * (1 + (0.05 + 0.0088 * (10 + 40 * n)) / 100),
        )
        store.hand_values.record(value)
    for kind in (
        ConditionKind.APPROACHING,
        ConditionKind.NEAR,
        ConditionKind.SENSING_FAILED,
        ConditionKind.DEVICE_OFFLINE,
    ):
        _alerts(store, kind, now_ns)
    return count


def _alerts(store: Database, kind: ConditionKind, now_ns: int) -> None:
    alert: Alert = begin(DRIVE_ID, kind)
    for n in range(10):
        from_ns = now_ns - (340 - 33 * n - 7 * (len(kind) % 4)) * DAY_NS
        for event, at_ns in ((Event.OCCUR, from_ns), (Event.CLEAR, from_ns + (1 + n) * DAY_NS)):
            if n == 9 and event is Event.CLEAR and kind is ConditionKind.APPROACHING:
                continue
            priority = Priority.LOW if event is Event.OCCUR else None
            act = Act(
                event=event,
                true_ns=at_ns,
                recorded_ns=at_ns,
                facts=Facts(cause="it is so", mend="look"),
                priority=priority,
            )
            transition = advance(alert, act)
            alert = applied(alert, transition)
            number = store.alert_log.record(transition, alert)
            alert = replace(alert, number=number)


def drawn_ms(page: Page, words: str) -> float:
    """Click a span and return the measure of the page. Scripts of a string may not run there, so it is asked again and again."""
    page.evaluate("performance.clearMeasures('trend-drawn')")
    page.get_by_role("link", name=words, exact=True).click()
    for _ in range(1000):
        found = page.evaluate("performance.getEntriesByName('trend-drawn').map((each) => each.duration)")
        if found:
            return float(found[0])
        time.sleep(0.01)
    raise TimeoutError("the picture was not drawn within ten seconds")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--every", type=int, default=600, help="seconds from reading to reading")
    parser.add_argument("--keep", help="a folder in which the store is made, or found")
    parser.add_argument("--serve", action="store_true", help="keep the page up until Ctrl-C")
    asked = parser.parse_args()
    with nullcontext(asked.keep) if asked.keep else tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.db"
        is_new = not path.exists()
        store = open_database(f"sqlite:///{path}")
        if is_new:
            print(f"{stock(store, time.time_ns(), asked.every)} readings")
        app = create_app(store, now_ns=time.time_ns)
        with served(app) as address:
            if asked.serve:
                print(f"{address}/drives/{DRIVE_ID}")
                time.sleep(86_400)
            measure(address, asked.rounds)
        store.close()


def measure(address: str, rounds: int) -> None:
    """Tell what the browser needs, and what the server does of it."""
    path = f"{address}/drives/{DRIVE_ID}/trend?span=year&width={WIDTH - 40}"
    server_ms, answer = [], b""
    for _ in range(rounds):
        begun = time.perf_counter()
        with urlopen(path) as told:  # noqa: S310 - ours, on loopback
            answer = told.read()
        server_ms.append(1000 * (time.perf_counter() - begun))
    program = needs("chromium", why="apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": WIDTH, "height": 900})
        page.goto(f"{address}/drives/{DRIVE_ID}?span=week")
        page.wait_for_selector("#trend-readout")
        found: dict[str, list[float]] = {"year": [], "week": []}
        for _ in range(rounds):
            for words, spent in found.items():
                spent.append(drawn_ms(page, words))
        vertices = page.evaluate("document.querySelectorAll('#trend-view *').length")
        browser.close()
    for words, spent in found.items():
        print(
            f"{words}: median {statistics.median(spent):.0f} ms, slowest of {rounds} {max(spent):.0f} ms, click to drawn"
        )
    print(
        f"of the year the server's answer by itself: {statistics.median(server_ms):.0f} ms, {len(answer) / 1000:.0f} kB; {vertices} elements"
    )


if __name__ == "__main__":
    main()
