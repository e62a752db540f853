"""The file with the first administrator's password."""

import os
import stat
import sys
from pathlib import Path

import pytest

from service.adapters.first_password_file import FirstPasswordFile

THE_PASSWORD = "for-once-only"  # noqa: S105


def test_it_appears_when_published_and_goes_when_removed(tmp_path: Path) -> None:
    file = FirstPasswordFile(tmp_path)
    file.prepare(THE_PASSWORD)
    assert not Path(file.where).exists()
    file.publish()
    assert Path(file.where).read_text() == f"{THE_PASSWORD}\n"
    assert [path.name for path in tmp_path.iterdir()] == [Path(file.where).name]
    file.remove()
    file.remove()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="the folder's own rights decide there")
def test_only_who_runs_linklag_can_read_it_from_the_first_moment_on(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        file = FirstPasswordFile(tmp_path)
        file.prepare(THE_PASSWORD)
        assert [stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()] == [0o600]
        file.publish()
        assert stat.S_IMODE(Path(file.where).stat().st_mode) == 0o600
    finally:
        os.umask(old)


def test_one_left_from_before_is_replaced(tmp_path: Path) -> None:
    file = FirstPasswordFile(tmp_path)
    for password in ("old", THE_PASSWORD):
        file.prepare(password)
        file.prepare(password)
        file.publish()
    assert Path(file.where).read_text() == f"{THE_PASSWORD}\n"


def test_a_folder_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        FirstPasswordFile(tmp_path / "nowhere").prepare(THE_PASSWORD)
