"""What the walks share: a browser, and the processes of a plant."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.chromium import a_browser
from tests.commands.test_serve import Plant
from tests.conftest import Mosquitto


@pytest.fixture
def browser() -> Iterator[Browser]:
    with a_browser() as opened:
        yield opened


@pytest.fixture
def plant(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Plant]:
    """A broker, an empty store, and what starts `linklag` and devices on them; alerts are looked at every second."""
    made = Plant(tmp_path, mosquitto.port, LINKLAG_WORKER__WATCH_S="1", LINKLAG_WORKER__ROLL_UP_S="1")
    yield made
    for process in made.running:
        if process.poll() is None:
            process.kill()
            process.wait(10)
