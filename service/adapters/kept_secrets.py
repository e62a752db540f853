"""Targets and secrets that stand somewhere else: in a file, or in the environment.

Knows the two kinds of reference; must not know what is kept. What is read is never part of a message.
"""

import os
from pathlib import Path

from service.core.route import is_reference
from service.ports import NotDeliveredError

BYTES_MAX = 8192


def resolved(text: str) -> str:
    """Return what a reference leads to, or the text itself where it is none.

    `file:/path` is the first line of a file, `env:NAME` a variable of the environment. Read each time it is needed: who
    replaces the file need not start anything anew. Raises NotDeliveredError, which names the reference and not what it holds.
    """
    if not is_reference(text):
        return text
    kind, _, name = text.partition(":")
    value = _of_file(name) if kind == "file" else os.environ.get(name, "")
    if not value:
        where = (
            f"file {name} is empty: its first line"
            if kind == "file"
            else f"environment variable {name} is not set: it"
        )
        raise NotDeliveredError(f"{where} must be what the route needs")
    return value


def _of_file(name: str) -> str:
    try:
        with Path(name).open("rb") as file:
            content = file.read(BYTES_MAX)
    except OSError as error:
        raise NotDeliveredError(
            f"file {name} cannot be read ({error.strerror}): let the user that runs linklag read it, or correct the path"
        ) from None
    lines = content.decode("utf-8", errors="replace").splitlines()
    return lines[0].strip() if lines else ""
