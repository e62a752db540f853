"""How many examples the contract tests try: on a server, where each takes a hundred times as long, only a few."""

from collections.abc import Iterator

import pytest
from hypothesis import settings

from tests.contracts.given import POSTGRES

EXAMPLES = 4


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Let a property be tried a few times where it is about the server."""
    test, kept = getattr(item, "obj", None), "_hypothesis_internal_use_settings"
    usual = getattr(test, kept, None)
    params = getattr(getattr(item, "callspec", None), "params", {})
    if usual is None or POSTGRES not in params.values():
        return (yield)
    setattr(test, kept, settings(usual, max_examples=min(EXAMPLES, usual.max_examples)))
    try:
        return (yield)
    finally:
        setattr(test, kept, usual)
