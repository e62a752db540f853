"""The live stream: by itself on an event loop, and over real HTTP."""

import asyncio
import http.client
import json
import threading
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import aclosing
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import pytest

from service.adapters.web import live as live_module
from service.adapters.web.live import Live, News
from service.ports import StoreUnavailableError
from tests.adapters.web.plant import API, a_plant, add, reading_of
from tests.adapters.web.served import served
from tests.fakes import FakeReadings, FakeRefused, FakeRegister


@dataclass
class Event:
    """One server-sent event, parsed as a browser would."""

    kind: str
    id: str
    data: Any


def parsed(chunk: bytes) -> list[Event]:
    """Return the events of complete blocks; `retry:` alone is none."""
    found = []
    for block in chunk.decode().split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.splitlines() if not line.startswith(":"))
        if "data" in fields:
            found.append(Event(fields["event"], fields.get("id", ""), json.loads(fields["data"])))
    return found


# On an event loop


class Store:
    """What `look` sees: a value for each key."""

    def __init__(self) -> None:
        self.values: dict[str, int] = {}
        self.looks = 0
        self.encoded = 0
        self.down = False

    def look(self) -> Sequence[News]:
        self.looks += 1
        if self.down:
            raise StoreUnavailableError("down")
        return [News(key, value, self._encode(key, value)) for key, value in self.values.items()]

    def _encode(self, key: str, value: int) -> Callable[[], bytes]:
        def encode() -> bytes:
            self.encoded += 1
            return json.dumps({"key": key, "value": value}).encode()

        return encode


async def readings_from(events: AsyncIterator[bytes], count: int, timeout_s: float = 5.0) -> list[Event]:
    """Return the next `count` reading events."""
    found: list[Event] = []
    async with asyncio.timeout(timeout_s):
        while len(found) < count:
            found += [each for each in parsed(await anext(events)) if each.kind == "reading"]
    return found


def test_a_client_gets_the_newest_of_all_first_and_then_only_what_is_new() -> None:
    async def story() -> None:
        store = Store()
        store.values = {"a": 1, "b": 1}
        live = Live(store.look, period_s=0.05)
        async with aclosing(live.events()) as events:
            first = await readings_from(events, 2)
            assert {(each.data["key"], each.data["value"]) for each in first} == {("a", 1), ("b", 1)}
            store.values["b"] = 2
            (second,) = await readings_from(events, 1)
            assert second.data == {"key": "b", "value": 2}

    asyncio.run(story())


def test_one_look_and_one_encoding_serve_all_clients() -> None:
    async def story() -> None:
        store = Store()
        store.values = {"a": 1, "b": 1, "c": 1}
        live = Live(store.look, period_s=0.05)
        clients = [live.events() for _ in range(20)]
        for each in clients:
            await readings_from(each, 3)
        assert store.encoded == 3
        looks = store.looks
        await asyncio.sleep(0.3)
        assert store.looks - looks <= 8
        for each in clients:
            await each.aclose()
        assert live.clients == 0

    asyncio.run(story())


def test_nobody_looks_while_nobody_listens() -> None:
    async def story() -> None:
        store = Store()
        live = Live(store.look, period_s=0.02)
        await asyncio.sleep(0.1)
        assert store.looks == 0
        async with aclosing(live.events()) as events:
            await anext(events)
            await asyncio.sleep(0.2)
            assert store.looks > 1
        await asyncio.sleep(0.1)
        looks = store.looks
        await asyncio.sleep(0.2)
        assert store.looks == looks

    asyncio.run(story())


def test_a_client_that_comes_back_gets_what_it_missed_and_no_more() -> None:
    async def story() -> None:
        store = Store()
        store.values = {"a": 1, "b": 1}
        live = Live(store.look, period_s=0.02)
        async with aclosing(live.events()) as events:
            last = (await readings_from(events, 2))[-1].id
            store.values = {"a": 1, "b": 2}
            await readings_from(events, 1)
        async with aclosing(live.events(last)) as events:
            (missed,) = await readings_from(events, 1)
            assert missed.data == {"key": "b", "value": 2}

    asyncio.run(story())


@pytest.mark.parametrize("last", ["", "another-run-7", "nonsense", "-", "x-y-z"])
def test_a_client_from_another_life_gets_everything(last: str) -> None:
    async def story() -> None:
        store = Store()
        store.values = {"a": 1, "b": 1}
        live = Live(store.look, period_s=0.02)
        async with aclosing(live.events(last)) as events:
            assert len(await readings_from(events, 2)) == 2

    asyncio.run(story())


def test_an_id_ahead_of_us_does_not_silence_the_stream() -> None:
    async def story() -> None:
        store = Store()
        store.values = {"a": 1}
        live = Live(store.look, period_s=0.02)
        async with aclosing(live.events(f"{live._run}-99999")) as events:
            await readings_from(events, 1)

    asyncio.run(story())


def test_a_slow_client_misses_what_was_overtaken_and_waits_for_nothing_else() -> None:
    """What waits for a client is one event a drive at most, however long it does not read."""

    async def story() -> None:
        store = Store()
        live = Live(store.look, period_s=0.01)
        async with aclosing(live.events()) as slow, aclosing(live.events()) as quick:
            await anext(slow)
            for value in range(1, 13):
                store.values = {"a": value, "b": 1}
                await readings_from(quick, 2 if value == 1 else 1)
            found = await readings_from(slow, 2)
            assert [each.data for each in found] == [{"key": "b", "value": 1}, {"key": "a", "value": 12}]

    asyncio.run(story())


def test_silence_is_filled_with_beats_that_tell_the_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_module, "BEAT_S", 0.05)

    async def story() -> None:
        live = Live(Store().look, period_s=0.02, now_ns=lambda: 1_764_058_500_123_000_000)
        async with aclosing(live.events()) as events:
            first = await anext(events)
            assert first.startswith(b"retry: 2000\n\n")
            for _ in range(3):
                (beat,) = parsed(await asyncio.wait_for(anext(events), 2))
                assert (beat.kind, beat.data) == ("beat", {"now_ms": 1_764_058_500_123, "store": "up"})

    asyncio.run(story())


def test_a_store_that_goes_down_and_comes_back_is_told_at_once() -> None:
    async def story() -> None:
        store = Store()
        store.values = {"a": 1}
        live = Live(store.look, period_s=0.02)
        async with aclosing(live.events()) as events:
            await readings_from(events, 1)
            for down, said in ((True, "down"), (False, "up")):
                store.down = down
                async with asyncio.timeout(3):
                    while [e.data["store"] for e in parsed(await anext(events)) if e.kind == "beat"][-1:] != [
                        said
                    ]:
                        pass
            store.values["a"] = 2
            await readings_from(events, 1)

    asyncio.run(story())


def test_a_fault_of_ours_ends_the_streams_and_the_next_client_starts_anew() -> None:
    async def story() -> None:
        store = Store()
        store.values = {"a": 1}
        live = Live(store.look, period_s=0.02)

        def broken() -> bytes:
            raise ZeroDivisionError

        async with aclosing(live.events()) as events:
            await readings_from(events, 1)
            good, live._look = live._look, lambda: [News("a", 2, broken)]
            async with asyncio.timeout(3):
                async for _ in events:
                    pass
        live._look = good
        async with aclosing(live.events()) as events:
            await readings_from(events, 1)

    asyncio.run(story())


def test_closing_ends_every_stream_at_once() -> None:
    async def story() -> None:
        live = Live(Store().look, period_s=0.02)

        async def listen() -> None:
            async for _ in live.events():
                pass

        listening = [asyncio.create_task(listen()) for _ in range(10)]
        await asyncio.sleep(0.1)
        assert live.clients == 10
        live.close()
        await asyncio.wait_for(asyncio.gather(*listening), 1)
        assert live.clients == 0

    asyncio.run(story())


# Over HTTP


class Listener:
    """A client of /stream that reads events as they come."""

    def __init__(self, url: str, headers: dict[str, str] | None = None, query: str = "") -> None:
        at = urlsplit(url)
        self.connection = http.client.HTTPConnection(at.hostname or "", at.port, timeout=5)
        self.connection.request("GET", f"{API}/stream{query}", headers=headers or {})
        self.answer = self.connection.getresponse()
        self.retry = ""

    def to_end(self) -> None:
        """Read until the stream ends."""
        while True:
            self.next("reading")

    def next(self, kind: str) -> Event:
        """Return the next event of a kind."""
        while True:
            fields: dict[str, str] = {}
            while line := self.answer.readline().decode().rstrip("\n"):
                name, _, value = line.partition(": ")
                fields[name] = value
            if not fields:
                raise EOFError
            self.retry = fields.get("retry", self.retry)
            if fields.get("event") == kind:
                return Event(kind, fields.get("id", ""), json.loads(fields["data"]))


def fast_plant() -> Any:
    return a_plant(stream_period_s=0.05)


def test_a_new_reading_arrives_as_an_entry_of_newest() -> None:
    with fast_plant() as plant, served(plant.app) as url:
        add(plant, "a", 1.5)
        listener = Listener(url)
        assert listener.answer.getheader("content-type") == "text/event-stream; charset=utf-8"
        assert listener.answer.getheader("cache-control") == "no-store"
        assert listener.next("reading").data["measured"]["elongation_pct"] == 1.5
        assert listener.retry == "2000"
        plant.ports.readings.store([reading_of("a", 3600, 1.6)])
        event = listener.next("reading")
        assert event.data == plant.get("/readings/newest")["drives"][0]
        assert event.data["shown"]["elongation"] == "1.600"
        listener.connection.close()


def test_a_change_of_the_limit_arrives_too() -> None:
    with fast_plant() as plant, served(plant.app) as url:
        add(plant, "a", 1.5)
        listener = Listener(url)
        assert listener.next("reading").data["limit_pct"] == 3.0
        plant.client.patch(f"{API}/drives/a", json={"own_limit_pct": 1.5})
        changed = listener.next("reading").data
        assert (changed["limit_pct"], changed["verdict"]) == (1.5, "reached")
        listener.connection.close()


@pytest.mark.parametrize("name", ["Last-Event-ID", ""])
def test_the_browsers_header_and_the_query_both_say_what_was_seen_last(name: str) -> None:
    with fast_plant() as plant, served(plant.app) as url:
        add(plant, "a", 1.0)
        add(plant, "b", 2.0)
        first = Listener(url)
        first.next("reading")
        last = first.next("reading").id
        plant.ports.readings.store([reading_of("b", 3600, 2.1)])
        first.next("reading")
        again = Listener(url, {name: last}) if name else Listener(url, query=f"?after={last}")
        assert again.next("reading").data["shown"]["elongation"] == "2.100"
        plant.ports.readings.store([reading_of("a", 3600, 1.1)])
        assert again.next("reading").data["shown"]["elongation"] == "1.100"  # nothing stood between
        again.connection.close()
        first.connection.close()


def test_a_client_that_goes_is_noticed_at_once() -> None:
    with fast_plant() as plant, served(plant.app) as url:
        parts = plant.app.state.parts
        listener = Listener(url)
        listener.next("beat")
        assert parts.live.clients == 1
        listener.answer.close()
        listener.connection.close()
        end = time.monotonic() + 2
        while parts.live.clients and time.monotonic() < end:
            time.sleep(0.02)
        assert parts.live.clients == 0


def test_the_server_stops_promptly_with_open_streams() -> None:
    with fast_plant() as plant:
        with served(plant.app) as url:
            listeners = [Listener(url) for _ in range(5)]
            for each in listeners:
                each.next("beat")
            started = time.monotonic()
        assert time.monotonic() - started < 2.0
        for each in listeners:
            with pytest.raises((EOFError, ConnectionError, http.client.HTTPException)):
                each.to_end()
            each.connection.close()


def test_more_clients_than_allowed_are_turned_away() -> None:
    with a_plant(stream_clients_max=1) as plant, served(plant.app) as url:
        first = Listener(url)
        first.next("beat")
        second = Listener(url)
        assert second.answer.status == 503
        assert second.answer.getheader("content-type") == "application/problem+json"
        first.connection.close()
        second.connection.close()


def test_a_store_that_is_down_is_told_to_who_listens() -> None:
    with fast_plant() as plant, served(plant.app) as url:
        listener = Listener(url)
        assert listener.next("beat").data["store"] == "up"
        for port in (plant.ports.readings, plant.ports.register, plant.ports.refused):
            assert isinstance(port, FakeReadings | FakeRegister | FakeRefused)
            port.down = "disk full"
        assert listener.next("beat").data["store"] == "down"
        listener.connection.close()


def test_twenty_clients_all_get_the_same_bytes() -> None:
    with fast_plant() as plant, served(plant.app) as url:
        add(plant, "a", 1.0)
        got: list[str] = []

        def listen() -> None:
            listener = Listener(url)
            got.append(json.dumps(listener.next("reading").data))
            listener.connection.close()

        threads = [threading.Thread(target=listen) for _ in range(20)]
        for each in threads:
            each.start()
        for each in threads:
            each.join(10)
        assert len(got) == 20
        assert len(set(got)) == 1
