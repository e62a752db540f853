"""The wall over a restart of what serves it: it says how old its numbers are, and goes on by itself."""

import re
import time
from dataclasses import replace
from pathlib import Path

from playwright.sync_api import Browser, expect

from service.adapters.database.connect import Database, open_database
from tests.adapters.web.plant import reading_of
from tests.adapters.web.set_up_plant import SOUND
from tests.commands.test_serve import Plant
from tests.contracts.given import S
from tests.walks.walking import SOON_MS, walking

WALL = Path(__file__).parents[2] / "service" / "adapters" / "web" / "static" / "wall.js"


def read(database: Database, pct: float, seq: int) -> None:
    """Store a reading of just now, as the worker does."""
    t_ns = time.time_ns()
    reading = reading_of("d", 0, pct, seq=seq, chain_id=SOUND.chain.chain_id)
    database.readings.store([replace(reading, t_ns=t_ns, t0_ns=t_ns - 10 * S)])


def test_the_web_process_is_killed_and_the_wall_says_so_and_goes_on_when_it_is_back(
    plant: Plant, browser: Browser
) -> None:
    """With the script made impatient: it asks five times a second, and silence counts after 2 s, not 8 s."""
    script = WALL.read_text(encoding="utf-8")
    quick = script.replace("ASK_MS = 2000", "ASK_MS = 200").replace("LOST_MS = 8000", "LOST_MS = 2000")
    assert quick != script
    folder = plant.folder / "data"
    folder.mkdir()
    database = open_database(f"sqlite:///{folder / 'linklag.db'}")
    database.register.add_drive(SOUND.drive)
    database.register.fit_chain(SOUND.chain)
    read(database, 1.5, 1)
    web = plant.start("web")
    plant.get("/health/live")
    with walking(browser) as page:
        page.route("**/wall.js", lambda route: route.fulfill(body=quick, content_type="text/javascript"))
        page.goto(f"{plant.url}/wall")
        used, gone = page.locator(".lines .pc"), page.locator("#gone")
        expect(used).to_have_text(re.compile("50"))
        expect(gone).to_be_hidden()

        web.kill()
        web.wait(10)
        expect(gone).to_contain_text(re.compile(r"No connection\s+\d+ s old"), timeout=SOON_MS)
        read(database, 3.0, 2)

        plant.start("web")
        expect(gone).to_be_hidden(timeout=SOON_MS)
        expect(used).to_have_text(re.compile("100"), timeout=SOON_MS)
    database.close()
