"""The webhook against real servers on loopback: what is sent, what answers mean, and where it will not go."""

import contextlib
import json
import re
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cloudevents.v1.http import from_http
from standardwebhooks import Webhook

from service.adapters.webhook import WebhookNotifier, retry_after_s, target_of
from service.core.event import BATCH_CONTENT_TYPE, CloudEvent, trial_event
from service.core.route import Route, Way
from service.ports import EndpointGoneError, EventRefusedError, NotDeliveredError
from service.set_routes import new_secret
from tests.conftest import free_port, needs
from tests.receiver import FAILS, HANGS, RESETS, Receiver, a_receiver

SECRET = new_secret()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with a_receiver() as made:
        yield made


def an_event(number: int = 1) -> CloudEvent:
    return trial_event("hook", f"t{number}", 1_764_058_500 * 10**9, "x")


def a_route(target: str, **more: Any) -> Route:
    values: dict[str, Any] = {"secret": SECRET, "allow_private": True}
    return Route(route_id="hook", way=Way.WEBHOOK, target=target, **values | more)


@contextlib.contextmanager
def notifying(target: str, *, route: dict[str, Any] | None = None, **how: Any) -> Iterator[WebhookNotifier]:
    notifier = WebhookNotifier(a_route(target, **route or {}), **{"timeout_s": 2.0} | how)
    try:
        yield notifier
    finally:
        notifier.close()


def why_not(target: str, **how: Any) -> str:
    with notifying(target, **how) as notifier, pytest.raises(NotDeliveredError) as caught:
        notifier.send([an_event()], "t1")
    return str(caught.value)


def answers(receiver: Receiver, status: int, **headers: str) -> None:
    receiver.answer = lambda _got: (
        status,
        {name.replace("_", "-"): value for name, value in headers.items()},
    )


# What is sent


def test_one_event_is_read_and_its_signature_verified_by_libraries_of_others(receiver: Receiver) -> None:
    with notifying(receiver.url) as notifier:
        notifier.send([an_event()], "t1")
    (got,) = receiver.got
    Webhook(SECRET).verify(got.body, got.headers)
    assert got.headers["webhook-id"] == "t1" == from_http(got.headers, got.body)["id"]
    with pytest.raises(Exception, match="No matching signature"):
        Webhook(new_secret()).verify(got.body, got.headers)
    with pytest.raises(Exception, match="No matching signature"):
        Webhook(SECRET).verify(got.body + b" ", got.headers)


def test_what_the_readme_says_takes_it_and_nothing_else(receiver: Receiver) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    code = next(each for each in re.findall(r"(?s)```python\n(.*?)```", readme) if "standardwebhooks" in each)
    known: dict[str, Any] = {}
    exec(code.replace("whsec_...", SECRET), known)  # noqa: S102 - what people are told to write
    with notifying(receiver.url) as notifier:
        notifier.send([an_event()], "t1")
    (got,) = receiver.got
    assert known["taken"](got.body, got.headers)["id"] == "t1"
    with pytest.raises(Exception, match="No matching signature"):
        known["taken"](got.body.replace(b"test", b"tost"), got.headers)


def test_several_events_are_a_signed_batch(receiver: Receiver) -> None:
    with notifying(receiver.url) as notifier:
        notifier.send([an_event(1), an_event(2)], "digest.1")
    (got,) = receiver.got
    Webhook(SECRET).verify(got.body, got.headers)
    assert got.headers["content-type"] == BATCH_CONTENT_TYPE
    assert [each["id"] for each in json.loads(got.body)] == ["t1", "t2"]


def test_a_connection_is_kept_while_there_is_more_and_made_anew_where_it_was_closed(
    receiver: Receiver,
) -> None:
    with notifying(receiver.url) as notifier:
        notifier.send([an_event(1)], "t1")
        kept = notifier._connection
        notifier.send([an_event(2)], "t2")
        assert notifier._connection is kept
        assert kept is not None
        kept.sock.shutdown(socket.SHUT_RDWR)
        notifier.send([an_event(3)], "t3")
        notifier.rest()
        assert notifier._connection is None
        notifier.send([an_event(4)], "t4")
    assert [got.headers["webhook-id"] for got in receiver.got] == ["t1", "t2", "t3", "t4"]


def test_target_and_secret_may_be_kept_in_a_file_and_in_the_environment(
    receiver: Receiver, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "hook").write_text(f"{receiver.url}\nignored\n")
    monkeypatch.setenv("LINKLAG_HOOK_SECRET", SECRET)
    with notifying(f"file:{tmp_path / 'hook'}", route={"secret": "env:LINKLAG_HOOK_SECRET"}) as notifier:
        notifier.send([an_event()], "t1")
    Webhook(SECRET).verify(receiver.got[0].body, receiver.got[0].headers)


def test_a_reference_that_leads_nowhere_is_told_and_what_it_holds_never(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "empty").write_text("\n")
    (tmp_path / "other").write_text("hunter2 is no URL\n")
    monkeypatch.setenv("LINKLAG_OTHER", "hunter2")
    for target, secret, told in (
        (f"file:{tmp_path / 'missing'}", SECRET, "cannot be read"),
        (f"file:{tmp_path / 'empty'}", SECRET, "is empty"),
        (f"file:{tmp_path / 'other'}", SECRET, "no http or https URL"),
        ("env:LINKLAG_NOT_THERE", SECRET, "LINKLAG_NOT_THERE is not set"),
        ("https://x.example", "env:LINKLAG_OTHER", "the secret is none"),
    ):
        with pytest.raises(NotDeliveredError, match=told) as caught:
            WebhookNotifier(a_route(target, secret=secret))
        assert "hunter2" not in str(caught.value)


# What answers mean


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_any_success_is_one(receiver: Receiver, status: int) -> None:
    answers(receiver, status)
    with notifying(receiver.url) as notifier:
        notifier.send([an_event()], "t1")


@pytest.mark.parametrize("status", [400, 409, 413, 415, 422])
def test_some_answers_refuse_this_event(receiver: Receiver, status: int) -> None:
    answers(receiver, status)
    with notifying(receiver.url) as notifier, pytest.raises(EventRefusedError, match=f"answers {status}"):
        notifier.send([an_event()], "t1")


@pytest.mark.parametrize("status", [401, 403, 404, 408, 429, 500, 502, 503, 599])
def test_others_speak_of_the_endpoint(receiver: Receiver, status: int) -> None:
    answers(receiver, status)
    assert f"answers {status}" in why_not(receiver.url)


def test_gone_is_gone(receiver: Receiver) -> None:
    answers(receiver, 410)
    with notifying(receiver.url) as notifier, pytest.raises(EndpointGoneError, match="answers 410 Gone"):
        notifier.send([an_event()], "t1")


def test_a_wait_that_is_asked_for_is_passed_on(receiver: Receiver) -> None:
    answers(receiver, 429, Retry_After="17")
    with notifying(receiver.url) as notifier, pytest.raises(NotDeliveredError) as caught:
        notifier.send([an_event()], "t1")
    assert caught.value.retry_after_s == 17
    now = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
    assert retry_after_s("Wed, 25 Nov 2026 08:01:00 GMT", now) == 60
    assert retry_after_s("Wed, 25 Nov 2026 08:01:00 GMT", now + timedelta(hours=1)) == 0
    assert retry_after_s("soon", now) is None
    assert retry_after_s("", now) is None


# Ways to fail


def test_a_server_that_hangs_resets_or_is_not_there_is_told(receiver: Receiver) -> None:
    receiver.hang_s = 0.6
    receiver.behaviour = HANGS
    assert "no answer within 0.3 s" in why_not(receiver.url, timeout_s=0.3)
    receiver.behaviour = RESETS
    assert "refused or cut off" in why_not(receiver.url)
    receiver.behaviour = FAILS
    assert "answers 500 Internal Server Error" in why_not(receiver.url)
    assert "refused or cut off" in why_not(f"http://127.0.0.1:{free_port()}/")


@contextlib.contextmanager
def says(*chunks: bytes, between_s: float = 0.0) -> Iterator[str]:
    """A server that reads a little and says this, piece by piece."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection, contextlib.suppress(OSError):
                    connection.recv(65536)
                    for chunk in chunks:
                        connection.sendall(chunk)
                        time.sleep(between_s)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.getsockname()[1]}/"
    finally:
        server.close()


def test_an_answer_that_drips_is_cut_off_in_all() -> None:
    began_s = time.monotonic()
    with says(b"HTTP/1.1 200 OK\r\n", *[b"X-Drip: 1\r\n"] * 60, between_s=0.1) as url:
        assert "no answer within 0.5 s" in why_not(url, timeout_s=0.5)
    assert time.monotonic() - began_s < 5


def test_an_answer_without_end_is_read_only_so_far() -> None:
    with says(b"HTTP/1.1 200 OK\r\n\r\n", *[b"x" * 10_000] * 20) as url, notifying(url) as notifier:
        notifier.send([an_event()], "t1")
        assert notifier._connection is None


def test_what_is_no_http_is_told() -> None:
    with says(b"SSH-2.0-OpenSSH\r\n") as url:
        assert "the answer is no HTTP" in why_not(url)


# Where it will not go


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "localhost", "[::1]", "[::ffff:127.0.0.1]", "0x7f000001", "127.1"]
)
def test_it_calls_nothing_on_this_machine_unless_it_may(receiver: Receiver, host: str) -> None:
    told = why_not(f"http://{host}:{receiver.port}/", route={"allow_private": False})
    assert "this machine" in told or "cannot be found" in told
    assert receiver.asked == 0


def test_no_redirect_is_followed_wherever_it_points(receiver: Receiver) -> None:
    with a_receiver() as inside:
        for status in (301, 302, 303, 307, 308):
            answers(receiver, status, Location=f"{inside.url}?secret=1")
            told = why_not(receiver.url)
            assert "no redirect is followed" in told
            assert "secret" not in told
        assert inside.asked == 0


def test_a_name_that_changes_after_it_was_looked_at_changes_nothing(receiver: Receiver) -> None:
    """DNS rebinding: the first answer is outside, the second inside. The connection goes to what the first one said."""
    answered: list[str] = []

    def look_up(_host: str, _port: int) -> list[str]:
        answered.append("203.0.113.9" if answered else "192.0.2.1")
        return [answered[-1]]

    connected: list[Any] = []

    def create_connection(address: tuple[str, int], _timeout: float) -> socket.socket:
        connected.append(address)
        raise ConnectionRefusedError

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("service.adapters.outside.inside", lambda _address: None)  # TEST-NETs are not public
        patch.setattr("service.adapters.webhook.socket.create_connection", create_connection)
        why_not(f"http://mes.example:{receiver.port}/", look_up=look_up, route={"allow_private": False})
    assert answered == ["192.0.2.1"]
    assert connected == [("192.0.2.1", receiver.port)]


def test_each_new_connection_is_looked_at_again(receiver: Receiver) -> None:
    leads = ["127.0.0.1"]
    with notifying(f"http://mes.example:{receiver.port}/", look_up=lambda _h, _p: leads) as notifier:
        notifier.send([an_event()], "t1")
        assert receiver.got[0].headers["host"] == f"mes.example:{receiver.port}"
        notifier.rest()
        leads[0] = "169.254.169.254"
        with pytest.raises(NotDeliveredError, match="no route may go there"):
            notifier.send([an_event()], "t2")


@pytest.mark.parametrize(
    "url",
    [
        "ftp://x/",
        "http://",
        "http://u:p@x/",
        "http://x:99999/",
        "http://x/\r\nHost: y",
        "http://bücher.example/",
        "x",
    ],
)
def test_what_is_no_url_of_ours_is_refused_unrepeated(url: str) -> None:
    with pytest.raises(NotDeliveredError) as caught:
        target_of(url)
    assert url not in str(caught.value) or url == "x"


def test_a_url_is_taken_apart() -> None:
    assert target_of("https://mes.example/a/b?c=d") == (True, "mes.example", 443, "/a/b?c=d")
    assert target_of("http://[2001:db8::1]:81") == (False, "[2001:db8::1]", 81, "/")


# TLS


@pytest.fixture
def certificate(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate for mes.example and its key."""
    import subprocess

    openssl = needs("openssl", why="apt-get install openssl")
    key, cert = tmp_path / "key.pem", tmp_path / "cert.pem"
    command = [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command += ["-keyout", str(key), "-out", str(cert), "-days", "2", "-subj", "/CN=mes.example"]
    command += [
        "-addext",
        "subjectAltName=DNS:mes.example",
        "-addext",
        "keyUsage=critical,digitalSignature,keyCertSign",
    ]
    subprocess.run(command, check=True, capture_output=True)
    return cert, key


@contextlib.contextmanager
def encrypted(receiver: Receiver, certificate: tuple[Path, Path]) -> Iterator[int]:
    """A TLS server in front of a receiver: one thread a connection, bytes both ways."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*map(str, certificate))
    server = socket.create_server(("127.0.0.1", 0))

    def one(raw: socket.socket) -> None:
        with contextlib.suppress(OSError), context.wrap_socket(raw, server_side=True) as outer:
            request = outer.recv(65536)
            while b"\r\n\r\n" not in request or not request.endswith(b"}"):
                request += outer.recv(65536)
            with socket.create_connection(("127.0.0.1", receiver.port)) as inner:
                inner.sendall(request)
                outer.sendall(inner.recv(65536))

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                threading.Thread(target=one, args=(server.accept()[0],), daemon=True).start()

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield server.getsockname()[1]
    finally:
        server.close()


def test_the_certificate_is_held_against_the_name_although_the_connection_goes_to_an_address(
    receiver: Receiver, certificate: tuple[Path, Path]
) -> None:
    trusting = ssl.create_default_context(cafile=str(certificate[0]))

    def to_loopback(_host: str, _port: int) -> list[str]:
        return ["127.0.0.1"]

    with encrypted(receiver, certificate) as port:
        right = f"https://mes.example:{port}/hook"
        with notifying(right, look_up=to_loopback, tls_context=trusting) as notifier:
            notifier.send([an_event()], "t1")
        assert "its certificate is not trusted" in why_not(right, look_up=to_loopback)
        wrong = f"https://other.example:{port}/hook"
        told = why_not(wrong, look_up=to_loopback, tls_context=trusting)
        assert "its certificate is not trusted" in told
        assert "mismatch" in told
    assert "TLS failed" in why_not(f"https://127.0.0.1:{receiver.port}/")
    assert len(receiver.got) == 1


def test_nothing_of_target_or_secret_is_in_what_goes_wrong(receiver: Receiver) -> None:
    receiver.behaviour = FAILS
    told = why_not(f"http://127.0.0.1:{receiver.port}/hunter2?key=hunter2")
    assert "hunter2" not in told
    assert SECRET not in told
