"""`linklag record`: live messages from the broker into a capture file.

Under a client id of its own and a session that ends with it, so that a worker that runs meanwhile, and what the broker
keeps for it, are left alone. Knows when recording begins and ends; must not know what the messages mean.
"""

import secrets
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import typer

from service.adapters.capture_files import CaptureError, CaptureWriter, line_of
from service.adapters.mqtt import MqttSource
from service.commands import CommandError
from service.commands.parts import broker_source
from service.commands.supervise import stop_signals_set
from service.core.drive import DRIVE_ID
from service.core.wire import Form, Refusal, parse_topic
from service.ingest import Message
from service.settings import Settings

LOOK_S = 0.2
MESSAGES_AT_ONCE = 500
SHOWN_DRIVES_MAX = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """How much is recorded. `seconds` count from the connection; None: until a signal."""

    seconds: float | None = None
    bytes_max: int = 256 * 1024 * 1024
    files_max: int = 1


def record(settings: Settings, drive_ids: Sequence[str], out: str | None, bounds: Bounds) -> int:
    """Record until a signal, the time or the size ends it; return the exit code: 1 where nothing was recorded.

    Args:
        settings: of the broker.
        drive_ids: whose messages to record; none: those of all drives.
        out: the file, which must not be there yet; - is standard output; None: a name made of the time.
        bounds: how much.
    """
    for drive_id in drive_ids:
        if DRIVE_ID.fullmatch(drive_id) is None:
            raise CommandError(
                f"--drive {drive_id[:80]}: give a drive's id, the level of its topic after {settings.broker.root}/"
            )
    path = _path(out)
    source = broker_source(
        settings, client_id=f"{settings.broker.client_id}-record-{secrets.token_hex(3)}", session_s=0
    )
    stop = threading.Event()
    try:
        with (
            stop_signals_set(stop),
            CaptureWriter(path, bytes_max=bounds.bytes_max, files_max=bounds.files_max) as writer,
        ):
            recorder = Recorder(source, writer, settings.broker.root, frozenset(drive_ids))
            _tell(
                f"recording {', '.join(drive_ids) or 'all drives'} from {settings.broker.host}:{settings.broker.port}; Ctrl-C ends it"
            )
            with source:
                why = recorder.run(stop, bounds.seconds)
    except CaptureError as error:
        raise CommandError(str(error)) from None
    return _tell_end(recorder, writer, path, why)


class Recorder:
    """Takes messages from the source and writes those that are wanted."""

    def __init__(
        self, source: MqttSource, writer: CaptureWriter, root: str, drive_ids: frozenset[str]
    ) -> None:
        self._source = source
        self._writer = writer
        self._root = root
        self._drive_ids = drive_ids
        self._told = source.status().trouble
        self.recorded: Counter[tuple[str, str]] = Counter()  # by drive and form

    def run(self, stop: threading.Event, seconds: float | None) -> str:
        """Record until `stop` is set, the time is over or the file is full; return which it was.

        Raises CommandError where the broker cannot be reached or refuses, CaptureError where nothing can be written.
        """
        if not self._connected(stop):
            return "stopped"
        end_s = None if seconds is None else time.monotonic() + seconds
        while not stop.is_set():
            left_s = LOOK_S if end_s is None else min(LOOK_S, end_s - time.monotonic())
            if left_s <= 0:
                return "the time is over"
            messages = self._source.receive(MESSAGES_AT_ONCE, left_s)
            self._write(messages)
            self._source.acknowledge(messages)
            if self._writer.full:
                return "the file is full"
            self._watch()
        return "stopped"

    def _connected(self, stop: threading.Event) -> bool:
        """Wait for the first connection; return whether it stands (else `stop` was set)."""
        while not (status := self._source.status()).connected:
            if status.trouble != self._told:
                raise CommandError(f"{status.trouble}; `linklag check` says more")
            if stop.wait(0.02):
                return False
        self._told = ""
        return True

    def _write(self, messages: Sequence[Message]) -> None:
        now_ns = time.time_ns()
        wanted = [(each, key) for each in messages if (key := self._key(each.topic)) is not None]
        lines = [line_of(each.topic, each.payload, each.content_type, now_ns) for each, _ in wanted]
        written = self._writer.write(lines)
        self.recorded.update(key for _, key in wanted[:written])

    def _key(self, topic: str) -> tuple[str, str] | None:
        """Return drive and form, as the topic has them; None where the drive was not asked for."""
        levels = topic.removeprefix(f"{self._root}/").split("/")
        if self._drive_ids and levels[0] not in self._drive_ids:
            return None
        found = parse_topic(topic, self._root)
        return (levels[0], "?") if isinstance(found, Refusal) else (found.drive_id, found.form)

    def _watch(self) -> None:
        """Tell trouble with the broker once as it comes, as what is published meanwhile will be missing."""
        status = self._source.status()
        if status.refused:
            raise CommandError(f"{status.trouble}: let this client subscribe to {self._root}/+/...")
        if status.trouble != self._told:
            self._told = status.trouble
            lost = "what is published meanwhile is not in the capture"
            _tell(f"{status.trouble}; {lost}" if status.trouble else "connected again")


def _path(out: str | None) -> Path | None:
    if out == "-":
        return None
    return Path(out) if out else Path(f"linklag-{datetime.now(tz=UTC):%Y%m%dT%H%M%SZ}.jsonl")


def _tell_end(recorder: Recorder, writer: CaptureWriter, path: Path | None, why: str) -> int:
    if not writer.lines:
        _tell(f"{why}; nothing came: do devices publish there? `linklag check` looks at the broker")
        return 1
    by_drive: Counter[str] = Counter()
    for (drive_id, _form), count in recorder.recorded.items():
        by_drive[drive_id] += count
    _tell(
        f"{why}; {writer.lines} messages of {len(by_drive)} drives, {writer.bytes / 1e6:.1f} MB, in {path or 'standard output'}"
    )
    for drive_id, _count in by_drive.most_common(SHOWN_DRIVES_MAX):
        counts = (
            f"{recorder.recorded[drive_id, form]} {form}"
            for form in (*Form, "?")
            if recorder.recorded[drive_id, form]
        )
        _tell(f"  {drive_id}: {', '.join(counts)}")
    return 0


def _tell(line: str) -> None:
    typer.echo(line, err=True)
