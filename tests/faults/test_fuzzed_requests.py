"""A short run of the mutated requests of `tests/bench/fuzz_api.py`; the hundred thousand are run by hand."""

from pathlib import Path

import pytest

from tests.bench import fuzz_api
from tests.bench.fuzz_api import Asked, Seen, of_pages, run


def test_the_web_process_answers_whatever_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the API's routes a few; each of them in turn is asked in `tests/adapters/web/test_schemathesis.py`."""
    some = [
        Asked("GET", "/api/v1/drives?limit=5"),
        Asked("GET", "/api/v1/drives/d0/readings"),
        Asked(
            "POST", "/api/v1/notes", (("Content-Type", "application/json"),), b'{"drive_id":"d0","text":"x"}'
        ),
        Asked("PUT", "/api/v1/sites", (("Content-Type", "application/json"),), b'{"site":"x","zone":"UTC"}'),
        Asked("GET", "/api/v1/rejections"),
        Asked("GET", "/"),
        Asked("GET", "/metrics"),
    ]
    monkeypatch.setattr(fuzz_api, "from_schema", lambda *_: some)
    monkeypatch.setattr(fuzz_api, "of_pages", list)
    seen = run(250, 1, 5, tmp_path)
    seen.check()
    assert seen.requests == 250
    assert {200, 401, 403, 404, 422} <= set(seen.statuses)


def test_pages_are_among_what_is_asked() -> None:
    assert len({asked.target for asked in of_pages()}) > 60


def test_a_server_error_is_noticed() -> None:
    seen = Seen(memory_mb=[1.0], descriptors=[5])
    seen.statuses[200] = 10
    seen.check()
    seen.failures.append("500: GET /")
    with pytest.raises(AssertionError):
        seen.check()
