"""`linklag replay`: the messages of a capture through a broker again, in their order, at any pace.

The whole file is read once before anything is sent, so that nothing is sent of a file that is wrong. Messages go out as
they were recorded, to the byte, unless time is shifted; none is retained, so that nothing stays with the broker. Knows
when each is due; must not know what the pulses mean.
"""

import secrets
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import cbor2
import msgspec
import typer

from service.adapters.capture_files import CapturedMessage, CaptureError, MessageFile
from service.adapters.mqtt_publisher import MqttPublisher, PublishError
from service.commands import CommandError
from service.commands.captured import batch_of, drive_and_form
from service.commands.parts import broker_publisher
from service.commands.supervise import stop_signals_set
from service.core.batch import Batch
from service.core.cbor import read_map
from service.core.drive import DRIVE_ID
from service.core.instant import format_rfc3339, parse_rfc3339
from service.settings import Settings

SHOWN_DRIVES_MAX = 8

_OBJECT = msgspec.json.Decoder(dict[str, msgspec.Raw])


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How fast: `speed` times as fast as recorded, None as fast as the broker takes it; and what becomes of t0."""

    speed: float | None = 1.0
    shift: Literal["now", "keep"] = "keep"


def replay(
    settings: Settings, file: Path, *, drive_ids: Sequence[str] = (), send_as: str | None = None, pace: Pace
) -> int:
    """Send a capture and wait for every acknowledgement; return the exit code: 1 where not all were accepted.

    Args:
        settings: of the broker; topics get its root.
        file: JSON lines.
        drive_ids: whose messages to send; none: those of all drives.
        send_as: a drive's id to send under in place of the recorded one; then all must be of one drive.
        pace: how fast, and whether the windows are to end now.
    """
    for drive_id in (*drive_ids, *([] if send_as is None else [send_as])):
        if DRIVE_ID.fullmatch(drive_id) is None:
            raise CommandError(
                f"{drive_id[:80]!r} is no drive id; use small letters, digits, - and _, at most 64"
            )
    wanted = frozenset(drive_ids)
    survey = _surveyed(file, wanted, pace)
    _check(survey, file, send_as)
    publisher = broker_publisher(
        settings, client_id=f"{settings.broker.client_id}-replay-{secrets.token_hex(3)}"
    )
    stop = threading.Event()
    try:
        with stop_signals_set(stop), publisher:
            _tell_begin(survey, file, settings, pace)
            sender = _Sender(publisher, survey, settings.broker.root, send_as, pace)
            for message in _messages(file, wanted):
                if not sender.send(message, stop):
                    break
            publisher.wait()
    except PublishError as error:
        raise CommandError(str(error)) from None
    return _tell_end(publisher, survey)


def _messages(file: Path, wanted: frozenset[str]) -> Iterator[CapturedMessage]:
    with file.open("rb") as stream:
        for message in MessageFile(stream):
            if not wanted or drive_and_form(message)[0] in wanted:
                yield message


@dataclass(slots=True, kw_only=True)
class _Survey:
    """What a capture holds, found on the first reading. Times are None where no message tells one."""

    drives: Counter[str] = field(default_factory=Counter)  # messages of each
    first_ns: int | None = None  # by which messages are due
    last_ns: int | None = None
    last_end_ns: int | None = None  # of the windows; sought only where time is to be shifted
    cut_off_line: int | None = None

    @property
    def messages(self) -> int:
        return sum(self.drives.values())

    def lasts_s(self, pace: Pace) -> float:
        """Return how long sending takes at that pace; 0 for as fast as it goes."""
        if pace.speed is None or self.first_ns is None or self.last_ns is None:
            return 0.0
        return (self.last_ns - self.first_ns) / 1e9 / pace.speed

    def add(self, message: CapturedMessage, pace: Pace) -> None:
        self.drives[drive_and_form(message)[0]] += 1
        due_ns = _due_ns(message)
        if due_ns is not None:
            self.first_ns = due_ns if self.first_ns is None else min(self.first_ns, due_ns)
            self.last_ns = due_ns if self.last_ns is None else max(self.last_ns, due_ns)
        if pace.shift == "now" and isinstance(batch := batch_of(message, "replay"), Batch):
            self.last_end_ns = max(self.last_end_ns or 0, batch.end_ns)


def _surveyed(file: Path, wanted: frozenset[str], pace: Pace) -> _Survey:
    survey = _Survey()
    try:
        with file.open("rb") as stream:
            reader = MessageFile(stream)
            for message in reader:
                if not wanted or drive_and_form(message)[0] in wanted:
                    survey.add(message, pace)
    except OSError as error:
        raise CommandError(f"{file} cannot be read ({error.strerror})") from None
    except CaptureError as error:
        raise CommandError(f"{file}, {error}. Nothing was sent") from None
    survey.cut_off_line = reader.cut_off_line
    return survey


def _check(survey: _Survey, file: Path, send_as: str | None) -> None:
    if not survey.messages:
        raise CommandError(f"{file} holds no such messages; nothing was sent")
    if send_as is None and survey.drives[""]:
        raise CommandError(f"{file} holds batches without topic: say with --as which drive's they are")
    if send_as is not None and len(survey.drives) > 1:
        shown = ", ".join(sorted(survey.drives)[:SHOWN_DRIVES_MAX])
        raise CommandError(
            f"{file} holds messages of {len(survey.drives)} drives ({shown}), and --as makes them one: choose with --drive"
        )
    for drive_id in survey.drives:
        if send_as is None and set(drive_id) & set("+#\0"):
            raise CommandError(
                f"{file} has a topic of drive {drive_id[:80]!r}, which cannot be sent: give --as"
            )


def _due_ns(message: CapturedMessage) -> int | None:
    """Return when a message was received, or else when its window ended."""
    if message.received_ns is not None:
        return message.received_ns
    batch = batch_of(message, "replay")
    return batch.end_ns if isinstance(batch, Batch) else None


class _Sender:
    """Sends each message when it is due."""

    def __init__(
        self, publisher: MqttPublisher, survey: _Survey, root: str, send_as: str | None, pace: Pace
    ) -> None:
        self._publisher = publisher
        self._root = root
        self._send_as = send_as
        self._speed = pace.speed
        self._first_ns = survey.first_ns
        self._began_s = time.monotonic()
        self._shift_us = 0
        if survey.last_end_ns is not None:
            ends_ns = time.time_ns() + round(survey.lasts_s(pace) * 1e9)
            self._shift_us = (ends_ns - survey.last_end_ns) // 1000

    def send(self, message: CapturedMessage, stop: threading.Event) -> bool:
        """Wait until a message is due and send it; return whether to go on (False once `stop` is set)."""
        due_ns = None if self._speed is None else _due_ns(message)
        if self._speed and due_ns is not None and self._first_ns is not None:
            due_s = self._began_s + (due_ns - self._first_ns) / 1e9 / self._speed
            stop.wait(max(0.0, due_s - time.monotonic()))
        if stop.is_set():
            return False
        drive_id, form = drive_and_form(message)
        payload = message.payload
        if self._shift_us and isinstance(batch_of(message, "replay"), Batch):
            payload = shifted(payload, self._shift_us)
        topic = f"{self._root}/{self._send_as or drive_id}/{form}"
        self._publisher.publish(topic, payload, content_type=message.content_type)
        return True


def shifted(payload: bytes, shift_us: int) -> bytes:
    """Return a batch's payload with t0 moved by so many microseconds, in the form it has; the rest as it was.

    Args:
        payload: that `wire` makes a batch of.
        shift_us: later is positive.
    """
    try:
        fields = _OBJECT.decode(payload.removeprefix(b"\xef\xbb\xbf"))
    except (msgspec.MsgspecError, UnicodeDecodeError):
        as_map = read_map(payload)
        as_map["t0"] = _moved(as_map["t0"], shift_us)
        return cbor2.dumps(as_map)
    moved = _moved(msgspec.json.decode(fields["t0"]), shift_us)
    fields["t0"] = msgspec.Raw(msgspec.json.encode(moved))
    return msgspec.json.encode(fields)


def _moved(t0: int | str, shift_us: int) -> int | str:
    if isinstance(t0, int):
        return t0 + shift_us
    return format_rfc3339(parse_rfc3339(t0) + shift_us * 1000)


def _tell_begin(survey: _Survey, file: Path, settings: Settings, pace: Pace) -> None:
    speed = (
        "as fast as the broker takes it"
        if pace.speed is None
        else f"{pace.speed:g} times as fast as recorded"
    )
    lasts = f", about {survey.lasts_s(pace):.0f} s" if pace.speed is not None else ""
    where = f"{settings.broker.host}:{settings.broker.port}"
    _tell(f"sending {survey.messages} messages of {len(survey.drives)} drives to {where}, {speed}{lasts}")
    if survey.cut_off_line is not None:
        _tell(f"{file}, line {survey.cut_off_line} is cut off and left out: its writer was killed there")


def _tell_end(publisher: MqttPublisher, survey: _Survey) -> int:
    accepted = publisher.acknowledged - publisher.refused
    _tell(f"sent {publisher.sent} of {survey.messages}, accepted {accepted}, refused {publisher.refused}")
    if publisher.refused:
        _tell(f"the broker refuses: {publisher.refusal}; let this client publish there")
    if publisher.unheard:
        _tell(
            f"{publisher.unheard} found nobody who subscribed: does a worker run on this broker, with this root?"
        )
    return 0 if accepted == survey.messages else 1


def _tell(line: str) -> None:
    typer.echo(line, err=True)
