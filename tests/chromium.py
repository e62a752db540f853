"""The browser that tests look at pages with."""

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

from tests.conftest import needs

# Without a sandbox of its own, as it runs as root where nothing else does; and it asks for nothing off this machine.
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@contextmanager
def a_browser() -> Iterator[Browser]:
    """A headless Chromium until the end of the `with`."""
    program = needs("chromium", why="apt-get install chromium")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=list(ARGUMENTS))
        yield opened
        opened.close()
