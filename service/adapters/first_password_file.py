"""The port `FirstPassword` as a file in the folder of the store that only the user who runs linklag can read.

Knows files; must not know people. On Windows the folder's own rights decide who reads it.
"""

import os
from pathlib import Path

NAME = "first-password.txt"


class FirstPasswordFile:
    """A file of one line. What is prepared lies beside it under a name of this process's own."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / NAME
        self._prepared = folder / f".{NAME}.{os.getpid()}"

    @property
    def where(self) -> str:
        """The place, in words."""
        return str(self._file)

    def prepare(self, password: str) -> None:
        """Write it down where nobody looks yet. Raises OSError."""
        self._prepared.unlink(missing_ok=True)
        descriptor = os.open(self._prepared, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(f"{password}\n")
            file.flush()
            os.fsync(file.fileno())

    def publish(self) -> None:
        """Put what was prepared in its place."""
        self._prepared.replace(self._file)

    def remove(self) -> None:
        """Take it away, prepared or published; nothing there changes nothing."""
        for file in (self._prepared, self._file):
            file.unlink(missing_ok=True)
