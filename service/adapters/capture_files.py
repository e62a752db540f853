"""Captures as files: messages as JSON lines, both ways, and pulse times as tables (`pulse_tables`).

One line is one message of the broker, as a JSON object: `received` (RFC 3339), `topic`, `content_type` where it had one,
and its payload: JSON as it came, byte for byte, under `payload`; all else in base64 under `payload_base64`. A line
that is itself a batch of the wire contract (it has `v`) counts as the payload of a message without topic. So a capture
can be cut, joined and searched by line with whatever tool is at hand.

Knows files; must not know what a payload means (`wire`). What is on disk is whole lines at any moment, but for the last
one of a process that was killed while it wrote.
"""

import base64
import binascii
import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import BytesIO, FileIO
from itertools import accumulate
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Final, Self

import msgspec

from service.adapters.pulse_tables import CaptureError, PulseTimes, Wanted, read_csv, read_parquet
from service.core.instant import format_rfc3339, parse_rfc3339
from service.core.wire import JSON_TYPE

LINE_BYTES_MAX = 16 * 1024 * 1024  # a payload of 8 MiB, the most that we let a broker send, in base64
_PARQUET_BEGIN: Final = b"PAR1"
_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"

__all__ = ["CaptureError", "CaptureWriter", "CapturedMessage", "MessageFile", "line_of", "read_capture"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturedMessage:
    """One message of a capture. `topic`, `content_type` and `received_ns` are None where the line does not say."""

    line: int
    topic: str | None
    payload: bytes
    content_type: str | None
    received_ns: int | None


class _Line(msgspec.Struct, omit_defaults=True):
    received: str | None = None
    topic: str | None = None
    content_type: str | None = None
    payload: msgspec.Raw = msgspec.Raw(b"")
    payload_base64: str | None = None


_OBJECT: Final = msgspec.json.Decoder(dict[str, msgspec.Raw])
_ANY: Final = msgspec.json.Decoder()
_LINE: Final = msgspec.json.Decoder(_Line)
_ENCODE: Final = msgspec.json.Encoder().encode


# Reading --------------------------------------------------------------------------------------------------


class MessageFile:
    """The messages of a capture, one at a time in the order of the file. Iterate once.

    `cut_off_line` is, once all are read, the number of a last line that a killed writer left half written.
    Iterating raises CaptureError naming the line that is wrong.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self.cut_off_line: int | None = None
        self._stream = stream

    def __iter__(self) -> Iterator[CapturedMessage]:
        number = 0
        while line := self._stream.readline(LINE_BYTES_MAX + 1):
            number += 1
            if len(line) > LINE_BYTES_MAX:
                raise CaptureError(f"line {number} has over {LINE_BYTES_MAX} bytes; write one message a line")
            text = line.strip().removeprefix(_BYTE_ORDER_MARK)
            if not text:
                continue
            try:
                message = _message(text, number)
            except CaptureError:
                if number > 1 and not line.endswith(b"\n"):
                    self.cut_off_line = number
                    return
                raise
            yield message


def _message(text: bytes, number: int) -> CapturedMessage:
    try:
        found = _OBJECT.decode(text)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise CaptureError(
            f"line {number} is no JSON object ({str(error)[:80]}); a capture has one a line: take the line out, or "
            "record again"
        ) from None
    if "v" in found and not {"payload", "payload_base64"} & found.keys():
        return CapturedMessage(
            line=number, topic=None, payload=text, content_type=JSON_TYPE, received_ns=None
        )
    try:
        line = _LINE.decode(text)
        return CapturedMessage(
            line=number,
            topic=line.topic,
            payload=_payload(line),
            content_type=line.content_type,
            received_ns=None if line.received is None else parse_rfc3339(line.received),
        )
    except (ValueError, msgspec.MsgspecError, RecursionError) as error:
        raise CaptureError(
            f"line {number}: {str(error)[:160]}; write received, topic and payload or payload_base64, as linklag record "
            "does, or a batch alone"
        ) from None


def _payload(line: _Line) -> bytes:
    if line.payload_base64 is not None:
        try:
            return base64.b64decode(line.payload_base64, validate=True)
        except (binascii.Error, ValueError) as error:
            raise ValueError(f"payload_base64 is no base64 ({error})") from None
    payload = bytes(line.payload)
    if not payload:
        raise ValueError("there is no payload")
    return payload


def read_capture(stream: BinaryIO, wanted: Wanted) -> MessageFile | PulseTimes:
    """Return what a capture holds: messages (not read yet) or pulse times, as its first bytes tell.

    Args:
        stream: with `peek`; Parquet that cannot be wound back is read into memory.
        wanted: what is said of a table.

    Raises CaptureError, also while iterating the messages.
    """
    peek: BinaryIO = stream
    begin: bytes = peek.peek(64)[:64]  # type: ignore[attr-defined]
    if begin.startswith(_PARQUET_BEGIN):
        return read_parquet(stream if stream.seekable() else BytesIO(stream.read()), wanted)
    if begin.removeprefix(_BYTE_ORDER_MARK).lstrip().startswith(b"{"):
        return MessageFile(stream)
    return read_csv(stream, wanted)


# Writing --------------------------------------------------------------------------------------------------


def line_of(topic: str, payload: bytes, content_type: str | None, received_ns: int) -> bytes:
    """Return the line, with its end, that `MessageFile` reads back as the same message."""
    line = _Line(received=format_rfc3339(received_ns), topic=topic, content_type=content_type)
    if _fits_a_line(payload):
        line.payload = msgspec.Raw(payload)
    else:
        line.payload_base64 = base64.b64encode(payload).decode()
    return _ENCODE(line) + b"\n"


def _fits_a_line(payload: bytes) -> bool:
    """Whether a payload is a JSON object that may stand in the line as it is."""
    if payload[:1] != b"{" or payload[-1:] != b"}" or b"\n" in payload or b"\r" in payload:
        return False
    try:
        payload.decode()
        _ANY.decode(payload)
    except (ValueError, msgspec.MsgspecError, RecursionError):
        return False
    return True


class CaptureWriter:
    """A capture being written. Use as a context manager, or `close` it.

    Lines go to the file whole and at once. With one file, writing ends when it is full; with more, the full one
    becomes name.1, that before it name.2 and so on, and the oldest is removed. `lines` and `bytes` count what was written,
    `full` says that no more will be.
    """

    def __init__(self, path: Path | None, *, bytes_max: int, files_max: int = 1) -> None:
        """A capture that is empty yet.

        Args:
            path: must not be there yet, nor name.1 and so on; None for standard output, which is never wound on.
            bytes_max: of one file; a single message that is larger is written all the same.
            files_max: kept at once, the one being written included.

        Raises CaptureError where the file cannot be made.
        """
        self._path = path
        self._bytes_max = bytes_max
        self._files_max = files_max if path is not None else 1
        self.lines = self.bytes = 0
        self.full = False
        self._in_file = 0
        if path is not None:
            for each in (path, *(_numbered(path, number) for number in range(1, files_max))):
                if each.exists():
                    raise CaptureError(f"{each} is there already; give another --out, or move it away")
        self._file = self._made()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def write(self, lines: Sequence[bytes]) -> int:
        """Write lines as `line_of` gives them; return how many were written: fewer than given when it became full.

        Raises CaptureError where the disk is full or gone; the file ends with a whole line then.
        """
        held: list[bytes] = []
        taken = size = 0
        for line in lines:
            if self._in_file + size and self._in_file + size + len(line) > self._bytes_max:
                self._put(held)
                held, size = [], 0
                if self._files_max == 1:
                    self.full = True
                    return taken
                self._wind_on()
            held.append(line)
            size += len(line)
            taken += 1
        self._put(held)
        return taken

    def close(self) -> None:
        """End the file; what was written is on the disk then. A capture without any line leaves no file."""
        if self._file.closed or self._path is None:
            return
        with contextlib.suppress(OSError):
            os.fsync(self._file.fileno())
        self._file.close()
        if not self.lines:
            self._path.unlink(missing_ok=True)

    def _put(self, lines: Sequence[bytes]) -> None:
        rest = memoryview(b"".join(lines))
        size = len(rest)
        try:
            while rest:
                rest = rest[self._file.write(rest) or 0 :]
        except BrokenPipeError:
            self.full = True  # who read our standard output has had enough
        except OSError as error:
            self._count(_whole(lines, size - len(rest)))
            if self._path is not None:
                with contextlib.suppress(OSError):
                    self._file.truncate(self._in_file)
            raise CaptureError(
                f"{self._path or 'standard output'} cannot be written ({error.strerror}); what was written is whole: "
                f"{self.lines} messages"
            ) from None
        else:
            self._count(lines)

    def _count(self, lines: Sequence[bytes]) -> None:
        size = sum(map(len, lines))
        self._in_file += size
        self.bytes += size
        self.lines += len(lines)

    def _wind_on(self) -> None:
        """Begin the next file: name.1 becomes name.2, the oldest goes."""
        path = self._path
        if path is None:
            return
        self.close()
        try:
            for number in range(self._files_max - 2, 0, -1):
                if _numbered(path, number).exists():
                    _numbered(path, number).replace(_numbered(path, number + 1))
            path.replace(_numbered(path, 1))
        except OSError as error:
            raise CaptureError(
                f"{path} cannot be renamed ({error.strerror}); what it holds is whole"
            ) from None
        self._file = self._made()
        self._in_file = 0

    def _made(self) -> FileIO:
        if self._path is None:
            return FileIO(1, "wb", closefd=False)
        try:
            return FileIO(self._path, "xb")
        except OSError as error:
            raise CaptureError(
                f"{self._path} cannot be made ({error.strerror}); give another --out"
            ) from None


def _numbered(path: Path, number: int) -> Path:
    return path.with_name(f"{path.stem}.{number}{path.suffix}")


def _whole(lines: Sequence[bytes], size: int) -> Sequence[bytes]:
    """Return those of the lines that lie whole within their first `size` bytes."""
    ends = accumulate(map(len, lines))
    return lines[: sum(end <= size for end in ends)]
