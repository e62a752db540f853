"""Log lines of ours and of the libraries come out in one form, from one level up, and show no local variables."""

import io
import json
import logging
from collections.abc import Iterator

import pytest
import structlog

from service.commands.logs import configure_logging

HIDDEN = "Gallsches-Gelenk-1832"


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    handlers, level = logging.root.handlers[:], logging.root.level
    yield
    logging.root.handlers[:], logging.root.level = handlers, level
    structlog.reset_defaults()


def lines(level: str, form: str) -> list[str]:
    """Return what is logged by us, by a library and by a failure, in this form."""
    to = io.StringIO()
    configure_logging(level=level, form=form, to=to)
    structlog.get_logger().debug("debug of ours")
    structlog.get_logger().info("stored", drive="infeed-2", readings=3)
    logging.getLogger("library").warning("of a library: %s", 7)
    logging.getLogger("alembic.runtime.migration").info("of no use here")
    fail()
    return to.getvalue().splitlines()


def fail() -> None:
    password = HIDDEN
    try:
        len(password) // 0
    except ZeroDivisionError:
        structlog.get_logger().exception("failed", length=len(password))


def test_json_is_one_object_a_line() -> None:
    rows = [json.loads(line) for line in lines("info", "json")]
    assert [row["event"] for row in rows] == ["stored", "of a library: 7", "failed"]
    assert rows[0]["drive"] == "infeed-2"
    assert [row["level"] for row in rows] == ["info", "warning", "error"]
    assert all(row["timestamp"].endswith("Z") for row in rows)
    assert "ZeroDivisionError" in rows[2]["exception"]


def test_text_is_for_people() -> None:
    first, second, *_ = lines("info", "text")
    assert first.endswith("[info     ] stored drive=infeed-2 readings=3")
    assert second.endswith("[warning  ] of a library: 7")


@pytest.mark.parametrize("form", ["text", "json"])
def test_traceback_shows_no_local_variables(form: str) -> None:
    text = "\n".join(lines("info", form))
    assert "ZeroDivisionError" in text
    assert HIDDEN not in text


@pytest.mark.parametrize(("level", "events"), [("debug", 4), ("info", 3), ("warning", 2), ("error", 1)])
def test_less_severe_lines_are_left_out(level: str, events: int) -> None:
    assert len(lines(level, "json")) == events
