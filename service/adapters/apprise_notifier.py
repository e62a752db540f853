"""Mail and chat: events in words, by whichever service a URL of the apprise library names.

Knows that library, which is loaded only where a route needs it; must not know what an event means. It says only whether a
message went or not, and keeps no queue: trying again is the door's. No redirect is followed. The host in a URL is looked up
and must be outside, as a webhook's; but the library looks it up again itself, so a name that changes in between could lead
inside: give the address, or a name of your own, where that matters.
"""

import logging
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, tzinfo
from typing import Any

from service.adapters import outside
from service.adapters.kept_secrets import resolved
from service.core.event import CloudEvent, many_in_words
from service.core.route import Route
from service.ports import NotDeliveredError

# What acts on this machine in place of sending anywhere, or runs what a file says.
NOT_HERE = frozenset({"dbus", "glib", "gnome", "kde", "macosx", "qt", "windows", "syslog"})
BODY_CHARS_MAX = 30_000
WORDS_MAX = 300


class AppriseNotifier:
    """The port `Notifier` by the apprise library."""

    def __init__(
        self,
        route: Route,
        *,
        zone: tzinfo = UTC,
        timeout_s: float = 10.0,
        look_up: outside.LookUp = outside.look_up,
    ) -> None:
        """A notifier that has sent nothing yet.

        Args:
            route: by apprise.
            zone: of the times in the text.
            timeout_s: to connect, and to wait for an answer.
            look_up: the addresses of a name.

        Raises NotDeliveredError where the target cannot be read or is none that the library knows.
        """
        self._allow_private = route.allow_private
        self._zone, self._look_up = zone, look_up
        self._service = _service(resolved(route.target), timeout_s)

    def send(self, events: Sequence[CloudEvent], message_id: str) -> None:
        """Send one message that tells of these events. See the port."""
        del message_id  # people need none
        self._refuse_inside()
        title, body = many_in_words(events, self._zone)
        with _said() as words:
            # TypeError is what the library raises for text that it cannot take.
            went = self._service.notify(title=title, body=body[:BODY_CHARS_MAX])
        if not went:
            told = f": {words[-1]}" if words else ""
            raise NotDeliveredError(
                f"{self._service.service_name} did not take the message{told}"[:WORDS_MAX]
                + "; check address, user and password of the target"
            )

    def rest(self) -> None:
        """Nothing is kept open."""

    def close(self) -> None:
        """Nothing is kept open."""

    def _refuse_inside(self) -> None:
        """Look at each host of the URL that leads anywhere; what is no name of a host is a token of the service."""
        for host in {str(getattr(self._service, name, None) or "") for name in ("host", "smtp_host")} - {""}:
            try:
                found = self._look_up(host, 0)
            except (OSError, UnicodeError):
                continue
            for address in found:
                outside.refuse_inside(host, address, allow_private=self._allow_private)


def _service(url: str, timeout_s: float) -> Any:
    """Return the library's object for a URL; what it says of it stays out of our messages, for it may repeat a password."""
    import apprise

    scheme = url.partition("://")[0].lower()
    if scheme in NOT_HERE:
        raise NotDeliveredError(
            f"{scheme}:// does something on this machine and sends nothing: give another target"
        )
    asset = apprise.AppriseAsset(app_id="linklag", app_desc="chain wear", app_url="", http_redirects=False)
    with _said():
        service = apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)
    if service is None:
        raise NotDeliveredError(
            f"{scheme}:// is no target that the apprise library takes as it stands: see its documentation for the form"
        )
    service.socket_connect_timeout = service.socket_read_timeout = timeout_s
    return service


@contextmanager
def _said() -> Iterator[list[str]]:
    """Collect what the library warns of in this thread, and let nothing of it into our log: it logs URLs with passwords."""
    words: list[str] = []
    mine = threading.get_ident()

    def collect(record: logging.LogRecord) -> bool:
        if record.thread != mine:
            return True
        if record.levelno >= logging.WARNING:
            words.append(" ".join(record.getMessage().split()))
        return False

    logging.getLogger("urllib3").setLevel(logging.WARNING)  # at less it logs paths
    logger = logging.getLogger("apprise")
    logger.addFilter(collect)
    try:
        yield words
    finally:
        logger.removeFilter(collect)
