"""The app on a socket: a server that a thread can run and stop, with open live streams.

uvicorn waits at its end for every open answer, and a live stream has none: the streams are told to end first.
"""

import gc
import logging
import socket
from collections.abc import Sequence
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from service.adapters.web.alert_feed import AlertFeed
from service.adapters.web.live import Live
from service.adapters.web.parts import Parts

GRACE_S = 5  # so long an answer that is under way may take at the end


class WebServer(uvicorn.Server):
    """Serves an app of `create_app`. `run` blocks until `stop` is called, from any thread."""

    def __init__(
        self,
        app: FastAPI,
        *,
        host: str,
        port: int,
        cert_file: Path | None = None,
        key_file: Path | None = None,
        proxies: Sequence[str] = (),
    ) -> None:
        """Take an app and how it is served.

        Args:
            app: of `create_app`.
            host: address to serve on.
            port: TCP port.
            cert_file: certificate (PEM) for TLS; None: none.
            key_file: its key, where that is in another file.
            proxies: addresses or networks whose X-Forwarded-For and -Proto count.

        Raises OSError where certificate and key cannot be used.
        """
        super().__init__(
            uvicorn.Config(
                app,
                host=host,
                port=port,
                timeout_graceful_shutdown=GRACE_S,
                log_config=None,
                log_level=logging.WARNING,
                access_log=False,
                server_header=False,
                proxy_headers=bool(proxies),  # else anybody could send them
                forwarded_allow_ips=list(proxies),
                ssl_certfile=cert_file,
                ssl_keyfile=key_file,
            )
        )
        self.config.load()  # now, so that a certificate that cannot be used is told before anything runs
        parts: Parts = app.state.parts
        self._lives: tuple[Live, ...] = (parts.live, *parts.board_lives.values())
        self._alert_feed: AlertFeed = parts.alert_feed

    def stop(self) -> None:
        """End soon: answers under way are finished, live streams are ended."""
        self.should_exit = True

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to serve. What is loaded by now stays, so the garbage collector need not look at it again.

        A year's chart makes enough objects to set off a full collection at every second request, which then took as
        long as the page itself (measured: 57 ms without, 57 to 130 ms with).
        """
        await super().startup(sockets)
        gc.collect()
        gc.freeze()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the live streams, then all else."""
        for live in self._lives:
            live.close()
        self._alert_feed.close()
        await super().shutdown(sockets)
