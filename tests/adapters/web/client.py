"""The client that tests of the web adapter ask an app with."""

import asyncio
from typing import Any

import httpx2
from fastapi import FastAPI
from starlette.testclient import TestClient


class _AtOnce(httpx2.BaseTransport):
    """Has an app answer in this thread, on an event loop of that answer's own."""

    def __init__(self, app: FastAPI, *, raise_server_exceptions: bool) -> None:
        self._to_app = httpx2.ASGITransport(
            app, raise_app_exceptions=raise_server_exceptions, client=("testclient", 50000)
        )

    def handle_request(self, request: httpx2.Request) -> httpx2.Response:
        request.read()  # a body in parts becomes one in whole, which the app's side can read

        async def ask() -> httpx2.Response:
            answer = await self._to_app.handle_async_request(request)
            content = b"".join([part async for part in answer.stream])  # type: ignore[union-attr]
            return httpx2.Response(
                answer.status_code,
                headers=answer.headers.raw,
                stream=httpx2.ByteStream(content),
                request=request,
            )

        return asyncio.run(ask())


class Client(TestClient):
    """Starlette's, but what is not read as a stream is answered in this thread: half the time, as nothing goes to a loop in another and back."""

    def __init__(self, app: FastAPI, *, raise_server_exceptions: bool = True, **how: Any) -> None:
        super().__init__(app, raise_server_exceptions=raise_server_exceptions, **how)
        self._in_parts = self._transport
        self._at_once = _AtOnce(app, raise_server_exceptions=raise_server_exceptions)

    def send(self, request: httpx2.Request, *, stream: bool = False, **how: Any) -> httpx2.Response:
        self._transport = self._in_parts if stream or _a_loop_runs_here() else self._at_once
        return super().send(request, stream=stream, **how)


def _a_loop_runs_here() -> bool:
    """Playwright has one in the thread of the tests while its browser is open."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return False
    return True
