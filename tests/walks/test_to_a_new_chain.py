"""From a limit that is reached to a new chain that is measured again: alert, work order, change, baseline."""

import re
import threading
import time
from dataclasses import replace

from playwright.sync_api import Browser, expect

from sensors_sim.publisher import Broker, publish_burst
from sensors_sim.scenario import ORDINARY
from tests.commands.test_serve import Plant
from tests.walks.walking import SOON_MS, stamp, walking

MINUTE_S = 60
LIMIT_PCT = "1"
WORN_PCT, NEW_PCT = 1.2, 0.06


def run(plant: Plant, elongation_pct: float, *, windows: int, window_s: float, until_ago_s: float) -> None:
    """Let the drive have run for a while, with a chain worn so much."""
    start_ns = time.time_ns() - round((until_ago_s + windows * window_s) * 1e9)
    setup = replace(ORDINARY, elongation_pct=elongation_pct, new_pct=min(ORDINARY.new_pct, elongation_pct))
    device = setup.build(seed=round(elongation_pct * 100), start_ns=start_ns, window_s=window_s)
    tally = publish_burst([device], Broker(port=plant.broker_port), batches=windows, stop=threading.Event())
    assert tally.sent == tally.acknowledged


def test_a_limit_that_is_reached_leads_to_a_new_chain_and_its_baseline_and_the_alert_is_over(
    plant: Plant, browser: Browser
) -> None:
    plant.start("run")
    added = plant.call(
        "linklag", "drive", "add", "steady", "--name", "Infeed", "--chain", "08B-1", "--whole-pitches", "24",
        "--offset", "0.1", "--driver-teeth", "19", "--driven-teeth", "38", "--loop", "120",
        "--up-to-driver", "462", "--limit", LIMIT_PCT, "--fitted", "2026-01-01",
    )  # fmt: skip
    assert added.returncode == 0, added.stderr
    plant.get("/health/live")
    with walking(browser) as page:
        page.goto(f"{plant.url}/alerts")
        run(plant, WORN_PCT, windows=14, window_s=MINUTE_S, until_ago_s=8 * MINUTE_S)
        limit = page.locator('[id="steady.at_limit"]')
        expect(limit).to_contain_text("Nobody is on it yet", timeout=SOON_MS)
        limit.get_by_role("button", name=re.compile("^Acknowledge")).click()
        limit.locator("details.more summary").click()
        limit.get_by_label("Work order").fill("WO-4711")
        limit.get_by_role("button", name="Name it").click()
        expect(limit).to_contain_text(re.compile("is on it since .*, work order WO-4711"))

        limit.get_by_role("link", name="Infeed").click()
        page.get_by_role("link", name="plan the change of the chain now").click()
        expect(page.get_by_role("main")).to_contain_text("Stop the drive, lock it out, tag it out")
        page.goto(f"{plant.url}/drives/steady/chain")
        page.fill("#f-off-why", "at its limit")
        page.select_option("#f-off-kind", "worn")
        page.fill("#f-off-removed", stamp(7 * MINUTE_S))
        page.get_by_role("button", name="Record that it is off").click()
        page.fill("#f-chain-designation", "08B-1")
        page.fill("#f-chain-pitches_in_loop", "120")
        page.fill("#f-chain-fitted", stamp(6 * MINUTE_S))
        page.get_by_role("button", name="Record that it is on").click()

        page.goto(f"{plant.url}/drives/steady/commission")
        expect(page.locator(".stands")).to_contain_text("Waiting for: Both sensors pulse", timeout=SOON_MS)
        page.fill("#f-base-why", "new chain fitted")
        page.fill("#f-base-by", "A. Kern")
        run(plant, NEW_PCT, windows=48, window_s=5, until_ago_s=0)
        expect(page.locator(".stands")).to_contain_text("Ready: take the baseline.", timeout=SOON_MS)
        page.get_by_role("button", name="Take the baseline").click()
        expect(page.locator(".step").last).to_contain_text("recorded by A. Kern", timeout=SOON_MS)

        page.goto(f"{plant.url}/alerts/steady.at_limit")
        expect(page.locator("#now")).to_contain_text("Nothing is the matter now")
        expect(page.get_by_role("main")).to_contain_text("The chain was taken off.")
        page.goto(f"{plant.url}/drives/steady")
        since = page.locator(".since").first
        for _ in range(20):  # until the worker has seen the baseline: it looks once a second
            run(plant, NEW_PCT, windows=1, window_s=2, until_ago_s=0)
            page.wait_for_timeout(500)
            if since.is_visible():
                break
        expect(since).to_contain_text(re.compile(r"[+−]0\.0\d+ ± 0\.\d+ %"))
        expect(page.locator(".facts .verdict").first).not_to_contain_text("limit reached")
