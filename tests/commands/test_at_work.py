"""`linklag watch`, `linklag deliver` and who does what: seen from outside, and in metrics."""

import json
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import pytest
from prometheus_client import CollectorRegistry
from prometheus_client.parser import text_string_to_metric_families

from service.adapters.database.connect import Database
from service.adapters.task_metrics import TaskCollector
from service.commands import CommandError
from service.commands.at_work import mark_at_work, metrics_parts, parts_at_work, who_does_what
from service.commands.health import OLD_S, trouble_of_tasks
from service.commands.parts import listen, opened_database
from service.commands.serve import parts_of
from service.commands.supervise import Part
from service.commands.tasks import OF_DELIVER, OF_WATCH, TaskParts, kinds_of, name_of_process
from service.ports import Holder
from service.settings import Settings, SettingsError, TaskKind, read_settings
from tests.contracts.given import NOON_NS
from tests.contracts.test_outbox import A_ROUTE, out
from tests.fakes_leases import FakeLeases
from tests.fakes_outgoing import FakeOutbox


def told(folder: Path, **worker: object) -> Settings:
    return read_settings(
        overrides={"store": {"folder": folder}, "worker": worker, "deliver": {"mqtt": False}}
    )


@contextmanager
def running(parts: list[Part]) -> Iterator[None]:
    """Parts that run, each in a thread, as `run_parts` has them."""
    threads = [threading.Thread(target=part.run, daemon=True) for part in parts]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        for part, thread in zip(reversed(parts), reversed(threads), strict=True):
            part.stop()
            thread.join(20)
        assert not any(thread.is_alive() for thread in threads)


def until(condition: object, timeout_s: float = 30.0) -> None:
    assert callable(condition)
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.02)


def test_watch_and_deliver_do_all_that_a_worker_that_takes_batches_alone_leaves_to_them(
    tmp_path: Path,
) -> None:
    settings = told(tmp_path, tasks=[])
    assert {*OF_WATCH, *OF_DELIVER} == set(kinds_of(settings))
    with opened_database(settings) as database:
        worker = TaskParts(settings, database, settings.worker.tasks, called="worker")
        assert [part.name for part in worker.parts] == ["sharing"]
        watch = parts_at_work(settings, database, "watch")
        deliver = parts_at_work(settings, database, "deliver")
        with running([*worker.parts, *watch, *deliver]):
            until(lambda: not who_does_what(settings)[1])
            lines, lacking = who_does_what(settings)
            until(lambda: mark_at_work(settings.store.file, "watch").exists())
            assert trouble_of_tasks(mark_at_work(settings.store.file, "watch"), time.time()) == ""
        assert not lacking
        (of_watch,) = [line for line in lines if line.startswith("watch ")]
        assert "watch/" in of_watch
        assert "(24 of 24)" in of_watch
        (of_delivery,) = [line for line in lines if line.startswith("delivery ")]
        assert "nothing to do" in of_delivery
        lines, lacking = who_does_what(settings)
        assert lacking  # all left
        assert sum("nobody (" in line for line in lines) == 5
        assert "start linklag worker" in lines[-1]


def test_a_process_that_has_long_given_no_sign_of_life_is_told_of(tmp_path: Path) -> None:
    settings = told(tmp_path, takeover_s=1)
    with opened_database(settings) as database:
        database.leases.beat(Holder(name="mill-7", beat=1, at_ns=time.time_ns() - 60 * 10**9))
        for kind in kinds_of(settings):
            for task in {"watch": [f"watch/{n}" for n in range(24)], "delivery": []}.get(kind, [kind]):
                database.leases.take(task, "mill-7", NOON_NS)
    lines, lacking = who_does_what(settings)
    assert lacking
    assert any("no sign of life for long" in line and "mill-7" in line for line in lines)


@pytest.mark.parametrize("trouble", ["", "it has not got its sign of life into the store"])
def test_a_mark_says_what_is_wrong(tmp_path: Path, trouble: str) -> None:
    mark = tmp_path / "watch.tasks.json"
    assert "nobody has left" in trouble_of_tasks(mark, time.time())
    mark.write_text(json.dumps({"name": "x", "trouble": trouble}))
    assert trouble_of_tasks(mark, time.time()) == trouble
    os.utime(mark, (time.time() - 2 * OLD_S,) * 2)
    assert "hangs, or was killed" in trouble_of_tasks(mark, time.time())


def test_a_worker_is_ready_for_what_its_settings_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LINKLAG_WORKER__TASKS", "folding, housekeeping")
    settings = told(tmp_path)
    assert settings.worker.tasks == ("folding", "housekeeping")
    with opened_database(settings) as database:
        names = [part.name for part in parts_of(settings, database, worker=True, web=False)]
    assert names == ["ingest", "sharing", "housekeeping", "folding", "marks"]


def test_a_task_that_there_is_not_is_refused_with_those_that_there_are(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"worker\.tasks.*foretelling"):
        told(tmp_path, tasks=["dusting"])


def test_no_two_processes_have_the_same_name() -> None:
    names = {name_of_process("watch") for _ in range(50)}
    assert len(names) > 40  # by chance of one in 65 536 each two of one process number are the same
    assert all(name.startswith("watch/") for name in names)


def test_a_watcher_that_does_not_foretell_reads_what_others_told(tmp_path: Path) -> None:
    kinds: tuple[TaskKind, ...] = ("watch",)
    settings = told(tmp_path)
    with opened_database(settings) as database:
        parts = TaskParts(settings, database, kinds, called="x").parts
    assert [part.name for part in parts] == ["sharing", "foretelling", "watch"]


# Metrics


def samples(text: str) -> dict[tuple[str, tuple[str, ...]], float]:
    return {
        (sample.name, tuple(sample.labels[name] for name in sorted(sample.labels))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_metrics_are_served_where_they_are_wanted_and_say_how_routes_get_on_and_who_does_what(
    tmp_path: Path,
) -> None:
    with listen("127.0.0.1", 0) as free:
        port = free.getsockname()[1]
    settings = told(tmp_path, metrics_port=port)
    with opened_database(settings) as database:
        fill(database)
        with running(metrics_parts(settings, database, CollectorRegistry())):
            with urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
                found = samples(answer.read().decode())
            with pytest.raises(CommandError, match=r"each process needs another worker\.metrics_port"):
                metrics_parts(settings, database, CollectorRegistry())
    route = (A_ROUTE.route_id,)
    assert found["linklag_store_up", ()] == 1
    assert found["linklag_delivery_waiting", route] == 1
    assert found["linklag_delivery_held", route] == 1
    assert found["linklag_delivery_sent_total", route] == 1
    assert found["linklag_delivery_failures", route] == 1
    assert found["linklag_delivery_off", route] == 0
    assert found["linklag_delivery_oldest_seconds", route] > 0
    assert found["linklag_tasks_held", ("watch", "mill-7")] == 1
    assert found["linklag_tasks_without", ("watch",)] == 23
    assert found["linklag_tasks_without", ("folding",)] == 1
    assert found["linklag_tasks_without", ("delivery",)] == 1


def test_the_page_has_these_metrics_too(tmp_path: Path) -> None:
    with listen("127.0.0.1", 0) as free:
        port = free.getsockname()[1]
    settings = read_settings(overrides={"store": {"folder": tmp_path}, "web": {"port": port}})
    with opened_database(settings) as database:
        fill(database)
        page = f"http://127.0.0.1:{port}/metrics"
        with (
            running(parts_of(settings, database, worker=False, web=True)),
            urlopen(page, timeout=30) as answer,
        ):
            found = samples(answer.read().decode())
    assert found["linklag_delivery_waiting", (A_ROUTE.route_id,)] == 1
    assert found["linklag_tasks_held", ("watch", "mill-7")] == 1
    assert found["linklag_drives", ()] == 0


def fill(database: Database) -> None:
    outbox, route_id = database.outbox, A_ROUTE.route_id
    outbox.add(A_ROUTE, 0)
    outbox.put([out("one", route_id=route_id), out("two", route_id=route_id)])
    first, second = outbox.due(route_id, 2**62)
    outbox.sent(route_id, [first.row], NOON_NS)
    outbox.refused(second.row, "no", 2**62)
    outbox.failed(route_id, "down", NOON_NS, 2**62)
    database.leases.beat(Holder(name="mill-7", beat=1))
    database.leases.take("watch/3", "mill-7", NOON_NS)


def test_no_metrics_are_served_where_none_are_wanted(tmp_path: Path) -> None:
    settings = told(tmp_path)
    with opened_database(settings) as database:
        assert metrics_parts(settings, database, CollectorRegistry()) == []


def test_a_store_that_is_out_of_reach_is_told_in_metrics() -> None:
    outbox = FakeOutbox()
    outbox.down = "away"
    registry = CollectorRegistry()
    registry.register(TaskCollector(outbox, FakeLeases(), dict[str, list[str]]().items))
    assert registry.get_sample_value("linklag_store_up") == 0


def test_metrics_that_other_machines_can_read_are_warned_of(tmp_path: Path) -> None:
    assert told(tmp_path, metrics_port=9390).warnings == []
    assert told(tmp_path, metrics_host="0.0.0.0").warnings == []  # noqa: S104 (nothing is served)
    (warning,) = told(tmp_path, metrics_port=9390, metrics_host="0.0.0.0").warnings  # noqa: S104 (nothing is served)
    assert "worker.metrics_host" in warning
