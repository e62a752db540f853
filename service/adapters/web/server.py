"""The app on a socket: a server that a thread can run and stop, with open live streams.

uvicorn waits at its end for every open answer, and a live stream has none: the streams are told to end first.
"""

import gc
import logging
import socket

import uvicorn
from fastapi import FastAPI

from service.adapters.web.alert_feed import AlertFeed
from service.adapters.web.live import Live
from service.adapters.web.parts import Parts

GRACE_S = 5  # so long an answer that is under way may take at the end


class WebServer(uvicorn.Server):
    """Serves an app of `create_app`. `run` blocks until `stop` is called, from any thread."""

    def __init__(self, app: FastAPI, *, host: str, port: int) -> None:
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
                proxy_headers=False,  # who asks is for the log only, and anybody can send the header
            )
        )
        parts: Parts = app.state.parts
        self._live: Live = parts.live
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
        self._live.close()
        self._alert_feed.close()
        await super().shutdown(sockets)
