"""The command line, run in the process of the test, with data of the test's own."""

import logging
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest

from service import main


class Said(NamedTuple):
    code: int
    out: str
    err: str


Cli = Callable[..., Said]


@contextmanager
def command_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Iterator[Cli]:
    """Give what runs `linklag` with arguments; logging is afterwards as it was."""
    for name in list(os.environ):
        if name.startswith("LINKLAG_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("LINKLAG_STORE__FOLDER", str(folder))

    def call(*arguments: str) -> Said:
        monkeypatch.setattr(sys, "argv", ["linklag", *arguments])
        capfd.readouterr()
        with pytest.raises(SystemExit) as left:
            main.run()
        assert isinstance(left.value.code, int)
        return Said(left.value.code, *capfd.readouterr())

    handlers, level = logging.root.handlers[:], logging.root.level
    yield call
    logging.root.handlers[:], logging.root.level = handlers, level
