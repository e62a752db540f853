"""The page behind a real nginx with the settings of deploy/nginx.conf: https, addresses, and streams that flow."""

import http.client
import json
import os
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from tests.begun import Begun, Process
from tests.conftest import free_port, needs, wait_for_port
from tests.deploy.test_certificates import Site

DEPLOY = Path(__file__).parents[2] / "deploy"
NAME = "chains.eschbach.example"
LINKLAG = [sys.executable, "-P", "-c", "from service.main import run; run()"]


class Proxied:
    """linklag's page on one port, nginx with https on another and without on a third."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.page, self.https, self.http = folder, free_port(), free_port(), free_port()
        self.processes: list[Process] = []

    def start(self) -> None:
        nginx = needs("nginx", why="apt-get install nginx-light")
        certificates = self.folder / "certificates"
        certificates.mkdir()
        Site(certificates)
        environ = {name: value for name, value in os.environ.items() if not name.startswith("LINKLAG_")} | {
            "LINKLAG_STORE__FOLDER": str(self.folder / "data"),
            "LINKLAG_WEB__PORT": str(self.page),
            "LINKLAG_WEB__BEHIND_PROXY": "true",
            "LINKLAG_WEB__ALLOWED_HOSTS": NAME,
        }
        self.processes.append(Begun("linklag", "web", err=self.folder / "web.err", env=environ))
        conf = self.folder / "nginx.conf"
        conf.write_text(
            f"daemon off;\nworker_processes 1;\npid {self.folder}/nginx.pid;\nerror_log stderr;\n"
            "events {}\nhttp {\naccess_log off;\n"
            + "".join(
                f"{kind}_temp_path {self.folder}/{kind};\n"
                for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
            )
            + f"{self._ours(certificates)}\n}}\n"
        )
        with (self.folder / "nginx.err").open("wb") as err:
            self.processes.append(
                subprocess.Popen([nginx, "-p", str(self.folder), "-c", str(conf), "-e", "stderr"], stderr=err)
            )
        for port in (self.page, self.https, self.http):
            wait_for_port(port, 60)

    def _ours(self, certificates: Path) -> str:
        text = (DEPLOY / "nginx.conf").read_text()
        for place, ours in (
            ("listen 80;", f"listen 127.0.0.1:{self.http};"),
            ("listen 443 ssl;", f"listen 127.0.0.1:{self.https} ssl;"),
            ("127.0.0.1:8390;", f"127.0.0.1:{self.page};"),
            ("/etc/nginx/certs/", f"{certificates}/"),
        ):
            assert place in text
            text = text.replace(place, ours)
        return text

    def stop(self) -> None:
        for process in reversed(self.processes):
            process.terminate()
            process.wait(20)

    @contextmanager
    def asked(
        self, method: str, path: str, body: str = "", **headers: str
    ) -> Iterator[http.client.HTTPResponse]:
        """An answer through the proxy, by the name that people type."""
        context = ssl.create_default_context(cafile=self.folder / "certificates" / "ca.pem")
        connection = http.client.HTTPSConnection("127.0.0.1", self.https, timeout=20, context=context)
        with closing(connection):
            connection.request(method, path, body or None, {"Host": NAME} | headers)
            with connection.getresponse() as answer:
                yield answer


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    made = Proxied(tmp_path_factory.mktemp("proxied"))
    try:
        made.start()
        yield made
    finally:
        made.stop()


def signed_in(proxied: Proxied) -> dict[str, str]:
    """A token, made on linklag's machine, as a program has one."""
    environ = {"PATH": os.environ["PATH"], "LINKLAG_STORE__FOLDER": str(proxied.folder / "data")}
    done = subprocess.run(
        [*LINKLAG, "token", "add", f"program-{time.monotonic_ns()}", "--days", "1"],
        env=environ, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (secret,) = [word for word in done.stdout.split() if word.startswith("ll_")] or [done.stdout.split()[-1]]
    return {"Authorization": f"Bearer {secret}"}


def answer_of(port: int, path: str) -> tuple[int, str]:
    """Status and place that http without encryption leads to."""
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as connection:
        connection.request("GET", path, headers={"Host": NAME})
        with connection.getresponse() as answer:
            return answer.status, answer.headers.get("Location", "")


def test_who_comes_without_https_is_sent_to_it(proxied: Proxied) -> None:
    assert answer_of(proxied.http, "/wall?every=20") == (301, f"https://{NAME}/wall?every=20")


def test_pages_come_through_and_people_must_sign_in(proxied: Proxied) -> None:
    with proxied.asked("GET", "/health/live") as answer:
        assert json.load(answer) == {"live": True}
    with proxied.asked("GET", "/", Accept="text/html") as answer:
        assert answer.status == 303
        assert answer.headers["Location"].startswith("/sign-in")
        assert "nginx/" not in answer.headers["Server"]


def test_without_the_proxy_the_page_takes_nobody(proxied: Proxied) -> None:
    assert answer_of(proxied.page, "/sign-in")[0] == 403


def test_an_address_that_a_client_makes_up_does_not_get_through(proxied: Proxied) -> None:
    """Guesses are counted by address: whoever could make one up would have as many as they like."""
    statuses = []
    for number in range(30):
        with proxied.asked(
            "POST", "/sign-in", f"name=nobody-{number}&password=wrong",
            **{"Content-Type": "application/x-www-form-urlencoded", "Origin": f"https://{NAME}",
               "X-Forwarded-For": f"10.0.0.{number}", "Forwarded": f"for=10.0.0.{number}"},
        ) as answer:  # fmt: skip
            statuses.append(answer.status)
        if answer.status == 429:
            break
    assert statuses[-1] == 429, statuses


def test_a_live_stream_is_not_held_back(proxied: Proxied) -> None:
    """Its first line comes while the answer is still open; a proxy that gathers would wait for more."""
    with proxied.asked("GET", "/api/v1/stream", **signed_in(proxied)) as answer:
        assert answer.status == 200
        assert answer.headers["Content-Type"].startswith("text/event-stream")
        assert answer.readline()
