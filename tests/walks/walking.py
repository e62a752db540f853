"""A person with a browser."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from playwright.sync_api import Browser, Page

SOON_MS = 20_000
EXPECTED = re.compile(  # nobody serves, or no longer: killed with an answer on its way; a form was not right
    "ERR_CONNECTION_(REFUSED|RESET|CLOSED)|ERR_EMPTY_RESPONSE|ERR_INCOMPLETE_CHUNKED_ENCODING|status of 422"
)


@contextmanager
def walking(browser: Browser, **how: Any) -> Iterator[Page]:
    """A page in a context of its own; what goes wrong in its console fails the walk."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, **how)
    page = context.new_page()
    page.set_default_timeout(SOON_MS)
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    yield page
    context.close()
    surprises = [each for each in wrong if not EXPECTED.search(each)]
    assert not surprises, surprises


def stamp(seconds_ago: float) -> str:
    """Return what a field for a time takes, to the minute."""
    return (datetime.now(UTC) - timedelta(seconds=seconds_ago)).strftime("%Y-%m-%dT%H:%M")
