"""`linklag person`, `token` and `audit`; and as processes: the first start with logins, TLS, and no secret anywhere."""

import json
import os
import re
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import pytest

from service.adapters.web.caller import FORM_FIELD
from tests.begun import Begun, called
from tests.commands.command_line import Cli, command_line
from tests.conftest import free_port, needs

SENTINEL = "Sentinel-zwischen-zwei-Gliedern"


class Here:
    """A store of the test's own, and the commands on it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        self.data = folder / "data"
        self.environ = {
            name: text for name, text in os.environ.items() if not name.startswith("LINKLAG_")
        } | {
            "LINKLAG_STORE__FOLDER": str(self.data),
            "LINKLAG_WEB__PORT": str(self.port),
            "LINKLAG_LOG__LEVEL": "debug",
        }
        self.web: Begun | None = None

    def call(self, *command: str, code: int = 0) -> "subprocess.CompletedProcess[str]":
        said = called("linklag", *command, env=self.environ, timeout_s=90)
        assert said.returncode == code, said.stderr
        return subprocess.CompletedProcess(
            said.args, said.returncode, said.stdout.decode(), said.stderr.decode()
        )

    def start(self, **environ: str) -> str:
        """Start the page; return its address once it answers."""
        environ = {f"LINKLAG_WEB__{name.upper()}": text for name, text in environ.items()}
        log = self.folder / "web.err"
        self.web = Begun("linklag", "web", out=log, err=log, env=self.environ | environ)
        scheme = "https" if "LINKLAG_WEB__TLS_CERT_FILE" in environ else "http"
        url = f"{scheme}://127.0.0.1:{self.port}"
        end = time.monotonic() + 60
        while True:
            try:
                httpx2.get(f"{url}/health/live", timeout=5, verify=False)
            except httpx2.TransportError:
                assert time.monotonic() < end, self.log()
                assert self.web.poll() is None, self.log()
                time.sleep(0.1)
            else:
                return url

    def stop(self) -> None:
        if self.web is not None:
            self.web.terminate()
            self.web.wait(30)
            self.web = None

    def log(self) -> str:
        return (self.folder / "web.err").read_text()

    def stored(self) -> bytes:
        return b"".join(path.read_bytes() for path in self.data.iterdir())


@pytest.fixture
def here(tmp_path: Path) -> Iterator[Here]:
    made = Here(tmp_path)
    yield made
    made.stop()


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Cli]:
    """The same commands in this process, where it takes no second to start each; their store is in `data`."""
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    with command_line(data, monkeypatch, capfd) as call:
        monkeypatch.setenv("LINKLAG_LOG__LEVEL", "debug")
        yield call


def done_by(cli: Cli, *command: str) -> str:
    """What a command that must succeed printed."""
    said = cli(*command)
    assert said.code == 0, said.err
    return said.out


def form_token(client: httpx2.Client, path: str) -> str:
    page = client.get(path, headers={"Accept": "text/html"}).text
    found = re.search(rf'name="{FORM_FIELD}" value="([0-9a-f]+)"', page)
    assert found is not None, page
    return found[1]


def test_people_and_tokens_at_the_command_line(cli: Cli, tmp_path: Path) -> None:
    added = done_by(cli, "person", "add", "m.brandt", "--role", "operator", "--full-name", "Mara Brandt")
    password = added.strip()
    assert len(password) == 20
    assert "Mara Brandt" in done_by(cli, "person", "list")
    done_by(cli, "person", "add", "boss", "--role", "administrator")
    done_by(cli, "person", "role", "m.brandt", "engineer", "--why", "new duty")
    done_by(cli, "person", "lock", "m.brandt", "--why", "left")
    assert "no, locked" in done_by(cli, "person", "list")
    done_by(cli, "person", "unlock", "m.brandt")
    assert done_by(cli, "person", "reset", "m.brandt").strip() != password
    text = done_by(cli, "token", "add", "scada", "--only", "alerts", "--days", "30").strip()
    assert text.startswith("linklag_")
    listed = done_by(cli, "token", "list")
    assert re.search(r"scada +viewer +alerts +- +\S+ +yes", listed)
    assert text not in listed
    done_by(cli, "token", "revoke", "scada", "--why", "sold")
    assert "revoked" in done_by(cli, "token", "list")
    entries = [json.loads(line) for line in done_by(cli, "audit").splitlines()]
    assert [entry["what"] for entry in entries] == [
        "person added", "person added", "role changed", "person locked", "person unlocked", "password reset",
        "token added", "token revoked",
    ]  # fmt: skip
    assert entries[2]["old"] == {"role": "operator"}
    assert entries[2]["new"] == {"role": "engineer"}
    assert entries[2]["why"] == "new duty"
    stored = b"".join(path.read_bytes() for path in (tmp_path / "data").iterdir())
    assert password.encode() not in stored
    assert text.encode() not in stored


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (("person", "add", "M Brandt"), "is no id"),
        (("person", "add", "m.brandt", "--role", "root"), "is no role"),
        (("person", "lock", "nobody"), "there is no person 'nobody'"),
        (("token", "add", "x", "--role", "administrator"), "cannot be administrator"),
        (("token", "add", "x", "--days", "0"), "1 to 3650"),
        (("token", "revoke", "x"), "there is no token 'x'"),
    ],
)
def test_what_cannot_be_is_one_line_with_the_fix(cli: Cli, command: tuple[str, ...], said: str) -> None:
    done = cli(*command)
    assert done.code == 1
    assert said in done.err
    assert "Traceback" not in done.err


def test_the_first_start_makes_an_administrator_and_no_secret_is_anywhere(here: Here) -> None:
    """Password, one-time password, session, token: at debug level in no log line, and in no file of the store."""
    url = here.start(login="on")
    file = here.data / "first-password.txt"
    assert file.stat().st_mode & 0o777 == 0o600
    once = file.read_text().strip()
    assert str(file) in here.log()
    assert once not in here.log()
    page = {"Accept": "text/html", "Origin": url}
    with httpx2.Client(base_url=url, timeout=30, follow_redirects=False) as client:
        assert client.get("/api/v1/drives").status_code == 401
        wrong = client.post("/sign-in", data={"name": SENTINEL, "password": SENTINEL}, headers=page)
        assert wrong.status_code == 403
        signed = client.post("/sign-in", data={"name": "admin", "password": once}, headers=page)
        assert signed.headers["location"] == "/password"
        fields = {
            "old": once,
            "new": SENTINEL,
            "again": SENTINEL,
            FORM_FIELD: form_token(client, "/password"),
        }
        assert client.post("/password", data=fields, headers=page).status_code == 303
        assert not file.exists()
        made = {"name": "scada", "role": "viewer", "days": "3", FORM_FIELD: form_token(client, "/tokens")}
        shown = client.post("/tokens", data=made, headers=page).text
        text = re.search(r'class="secret">([^<]+)<', shown)
        assert text is not None
        secret = client.cookies["linklag"]
        bearer = {"Authorization": f"Bearer {text[1]}"}
        assert httpx2.get(f"{url}/api/v1/me", headers=bearer).json()["name"] == "token scada"
        broken = client.post("/api/v1/people", content=b'{"name": "%s' % SENTINEL.encode())
        assert broken.status_code in {403, 422}
    here.stop()
    log, stored = here.log(), here.stored()
    for told in (SENTINEL, once, secret, text[1]):
        assert told not in log
        assert told.encode() not in stored
    here.start(login="on")
    assert not file.exists()
    assert here.log().count("first administrator made") == 1


def test_who_forgot_the_password_gets_another_at_the_command_line(here: Here) -> None:
    url = here.start(login="on")
    once = here.call("person", "reset", "admin").stdout.strip()
    assert not (here.data / "first-password.txt").exists()
    answer = httpx2.post(f"{url}/sign-in", data={"name": "admin", "password": once}, headers={"Origin": url})
    assert answer.headers["location"] == "/password"


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 and its key, signed by itself."""
    cert, key = folder / "page.pem", folder / "page.key"
    command = [
        needs("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-keyout", str(key), "-out", str(cert), "-days", "2", "-subj", "/CN=127.0.0.1",
        "-addext", "subjectAltName=IP:127.0.0.1", "-addext", "keyUsage=critical,digitalSignature,keyCertSign",
    ]  # fmt: skip
    subprocess.run(command, capture_output=True, check=True)
    return cert, key


def test_with_a_certificate_the_page_is_served_by_tls(here: Here) -> None:
    cert, key = certificate(here.folder)
    url = here.start(login="on", tls_cert_file=str(cert), tls_key_file=str(key))
    trusting = ssl.create_default_context(cafile=str(cert))
    once = (here.data / "first-password.txt").read_text().strip()
    with httpx2.Client(base_url=url, verify=trusting, timeout=30) as client:
        fields = {"name": "admin", "password": once}
        answer = client.post("/sign-in", data=fields, headers={"Origin": url}, follow_redirects=False)
        assert answer.headers["set-cookie"].startswith("__Host-linklag=")
        assert "secure" in answer.headers["set-cookie"].lower()
    assert "https://127.0.0.1" in here.log()


def test_a_certificate_that_does_not_fit_its_key_is_told_at_the_start(here: Here) -> None:
    cert, _ = certificate(here.folder)
    (here.folder / "other").mkdir()
    _, key = certificate(here.folder / "other")
    here.environ |= {"LINKLAG_WEB__TLS_CERT_FILE": str(cert), "LINKLAG_WEB__TLS_KEY_FILE": str(key)}
    done = here.call("web", code=1)
    assert "PEM files that belong together" in done.stderr
    assert "Traceback" not in done.stderr


def test_behind_a_proxy_only_its_word_on_https_counts(here: Here) -> None:
    url = here.start(behind_proxy="true", allowed_hosts="chains.plant.example", proxy_addresses="127.0.0.1")
    host = {"Host": "chains.plant.example"}
    by_proxy: dict[str, Any] = {**host, "X-Forwarded-Proto": "https", "X-Forwarded-For": "192.0.2.7"}
    assert httpx2.get(f"{url}/sign-in", headers=host).status_code == 403
    assert httpx2.get(f"{url}/sign-in", headers=by_proxy).status_code == 200
    fields = {"name": "admin", "password": (here.data / "first-password.txt").read_text().strip()}
    answer = httpx2.post(
        f"{url}/sign-in", data=fields, headers=by_proxy | {"Origin": "https://chains.plant.example"}
    )
    assert answer.headers["set-cookie"].startswith("__Host-linklag=")
    assert "address=192.0.2.7" in here.log()


def test_what_another_machine_says_of_https_does_not_count(here: Here) -> None:
    """Here this machine is not the proxy."""
    url = here.start(behind_proxy="true", allowed_hosts="chains.plant.example", proxy_addresses="192.0.2.1")
    claims = {"Host": "chains.plant.example", "X-Forwarded-Proto": "https"}
    assert httpx2.get(f"{url}/sign-in", headers=claims).status_code == 403


@pytest.mark.parametrize("command", ["web", "run"])
def test_off_loopback_without_tls_or_login_it_does_not_start(here: Here, command: str) -> None:
    here.environ |= {"LINKLAG_WEB__HOST": "0.0.0.0"}  # noqa: S104 - refused
    assert "web.tls_cert_file" in here.call(command, code=2).stderr
    here.environ |= {"LINKLAG_WEB__LOGIN": "off", "LINKLAG_WEB__BEHIND_PROXY": "true"}
    assert 'web.login = "on"' in here.call(command, code=2).stderr
