"""`linklag health`: does the part that runs here do its work? For supervisors of containers and the like.

The worker has no address to ask, so it leaves a mark: a small file beside the store, written anew every few seconds with
how it stands. Worker and web are told apart, as they may run apart.
"""

import contextlib
import json
import ssl
import threading
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from service.commands.options import Config, Data, PartitionName, leave, settings_of

BEAT_S = 5.0
MARK_BYTES = 4096  # with blanks, so that on a full disk the next one fits where the last one was
OLD_S = 30.0  # a mark that old was left by a worker that is gone, or hangs
ANSWER_S = 5.0


def health(
    part: Annotated[
        Literal["worker", "web", "watch", "deliver", "tasks"],
        typer.Argument(help="Which part; tasks: which process does what, of all that work on the store."),
    ],
    *,
    config: Config = None,
    data: Data = None,
    partition: PartitionName = None,
) -> None:
    """Say whether a part that runs here does its work: exit code 0, or 1 with the reason.

    Asks the page whether it answers; looks at the mark that the others leave beside the store every few seconds, which
    says whether a worker stores what comes and has its broker, and whether `linklag watch` or `linklag deliver` can do its part.
    With tasks it lists which process does what, and what nobody does. Changes nothing. For a look at everything: linklag check.
    """
    settings = settings_of(config, data, quiet=True)
    if part == "tasks":
        from service.commands.at_work import who_does_what

        lines, lacking = who_does_what(settings)
        typer.echo("\n".join(lines))
        leave(1 if lacking else 0)
    if part == "web":
        trouble = trouble_of_web(
            settings.web.host, settings.web.port, settings.web.allowed_hosts[0], tls=settings.web.tls
        )
    elif part in {"watch", "deliver"}:
        from service.commands.at_work import mark_at_work

        trouble = trouble_of_tasks(mark_at_work(settings.store.file, part), time.time())
    else:
        from service.commands.partitions import chosen

        client_id = settings.broker_of(chosen(settings, partition)).client_id
        trouble = trouble_of_worker(mark_of(settings.store.file, client_id), time.time())
    typer.echo(trouble or "well")
    leave(1 if trouble else 0)


def mark_of(store: Path, client_id: str) -> Path:
    """Return the file that a worker leaves its mark in."""
    return store.with_name(f"{client_id}.alive.json")


def leave_marks(mark: Path, status: Callable[[], Mapping[str, Any]], stop: threading.Event) -> None:
    """Write how the worker stands, every few seconds until `stop`; then take the mark away.

    A mark that cannot be written is left out: it then grows old, which tells as much.
    """
    part = mark.with_name(f".{mark.name}.part")
    while True:
        text = json.dumps(status()).encode().ljust(MARK_BYTES)
        try:
            part.write_bytes(text)
            part.replace(mark)
        except OSError:
            part.unlink(missing_ok=True)
            _overwrite(mark, text)
        if stop.wait(BEAT_S):
            break
    mark.unlink(missing_ok=True)


def said_beside(store: Path, now_s: float) -> list[Mapping[str, Any]]:
    """Return what the workers on this machine say of themselves: the marks beside the store that are not old."""
    said = []
    for mark in sorted(store.parent.glob("*.alive.json")):
        with contextlib.suppress(OSError, ValueError):
            if abs(now_s - mark.stat().st_mtime) <= OLD_S:
                said.append(json.loads(mark.read_text(encoding="utf-8")))
    return said


def _overwrite(mark: Path, text: bytes) -> None:
    """On a full disk there is room for no new file, but where the old one is."""
    with contextlib.suppress(OSError), mark.open("r+b") as old:
        old.write(text)
        old.truncate()


def trouble_of_worker(mark: Path, now_s: float) -> str:
    """Return what is wrong with the worker that leaves this mark; empty where all is well."""
    try:
        age_s = now_s - mark.stat().st_mtime
        status = json.loads(mark.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return f"no worker has left {mark}: is it running, on this store?"
    if abs(age_s) > OLD_S:
        return f"the worker has not left its mark for {age_s:.0f} s: it hangs, or was killed"
    if not status["ingest"]["store_ok"]:
        words = spool_words(status["ingest"])
        return f"the worker does not store what comes: {status['ingest']['trouble']}{words and f'; {words}'}"
    if not status["connected"]:
        return f"the worker has no broker: {status['trouble']}"
    return ""


def trouble_of_tasks(mark: Path, now_s: float) -> str:
    """Return what is wrong with a process that does tasks and leaves this mark; empty where all is well."""
    try:
        age_s = now_s - mark.stat().st_mtime
        status = json.loads(mark.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return f"nobody has left {mark}: is it running, on this store?"
    if abs(age_s) > OLD_S:
        return f"it has not left its mark for {age_s:.0f} s: it hangs, or was killed"
    return str(status["trouble"])


def spool_words(ingest: Mapping[str, Any]) -> str:
    """Return how the spool of a worker stands, by what it says of itself; empty where nothing is to be said."""
    spool = ingest.get("spool") or {}
    said = []
    if spool.get("messages"):
        since = datetime.fromtimestamp(spool["since_ns"] / 1e9, tz=UTC)
        said.append(
            f"{spool['messages']} messages wait in the spool, the oldest from {since:%Y-%m-%d %H:%M:%S} UTC"
        )
    if spool.get("trouble"):
        said.append(f"no more is taken from the broker: {spool['trouble']}")
    return "; ".join(said)


def trouble_of_web(host: str, port: int, name: str, *, tls: bool, within_s: float = ANSWER_S) -> str:
    """Return what is wrong with the page on this machine; empty where it answers."""
    address = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host.strip("[]"))  # noqa: S104 (nothing is served)
    connection = _connection(address, port, within_s, tls=tls)
    try:
        connection.request("GET", "/health/live", headers={"Host": name})
        answer = connection.getresponse()
        alive = answer.status == 200 and json.loads(answer.read(1000)) == {"live": True}
    except (OSError, HTTPException, ValueError) as error:
        return f"{address}:{port} does not answer: {error or type(error).__name__}"
    finally:
        connection.close()
    return "" if alive else f"{address}:{port} is not linklag, or refuses (status {answer.status})"


def _connection(address: str, port: int, within_s: float, *, tls: bool) -> HTTPConnection:
    """A connection to this machine: nothing is told there, so whose certificate it is does not matter."""
    if not tls:
        return HTTPConnection(address, port, timeout=within_s)
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return HTTPSConnection(address, port, timeout=within_s, context=context)
