"""Fixtures of the web adapter's tests."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.adapters.web.plant import Plant, a_plant
from tests.chromium import a_browser
from tests.contracts.given import STORES


@pytest.fixture(params=STORES)
def plant(request: pytest.FixtureRequest) -> Iterator[Plant]:
    """An app on an empty store: on the fake, and on the real one."""
    with a_plant(request.param) as made:
        yield made


@pytest.fixture
def fake_plant() -> Iterator[Plant]:
    """An app on an empty fake store, where the kind of store does not matter."""
    with a_plant() as made:
        yield made


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real browser, one for a module."""
    with a_browser() as opened:
        yield opened
