"""The commands of deploy/CERTIFICATES.md, run as they stand, against a mosquitto with the settings of deploy/."""

import gc
import re
import shlex
import shutil
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from service.adapters.mqtt import MqttSource
from service.adapters.reaching import Tls
from service.commands.check import check_broker
from service.settings import Broker, Settings, Store, read_settings
from tests.conftest import free_port, needs, wait_for_port

DEPLOY = Path(__file__).parents[2] / "deploy"
SECTIONS = (DEPLOY / "CERTIFICATES.md").read_text().split("\n## ")
ROOT = "linklag/v1"
SUCCESS, NOT_AUTHORIZED = 0, 0x87  # MQTT 5.0, 3.4.2.1


def commands_of(heading: str) -> list[str]:
    (section,) = (text for text in SECTIONS if text.startswith(heading))
    fences = re.findall(r"(?s)```sh\n(.*?)```", section)
    assert fences, f"no commands under {heading}"
    return [line for fence in fences for line in fence.splitlines()]


def run_all(folder: Path, commands: list[str]) -> None:
    needs("openssl")
    done = subprocess.run(
        ["bash", "-eu", "-c", "\n".join(commands)], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


class Site:
    """The folder of a site's certificates, and its broker."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port, self.inside = folder, free_port(), free_port()
        shutil.copy(DEPLOY / "openssl.cnf", folder)
        for heading in ("Once: the CA", "Once: the broker", "Once: the worker", "For each device"):
            run_all(folder, commands_of(heading))
        self._process: subprocess.Popen[bytes] | None = None

    def add_device(self, name: str) -> None:
        run_all(
            self.folder,
            [line.replace("kiln-feed", shlex.quote(name)) for line in commands_of("For each device")],
        )

    def start(self) -> None:
        """With deploy/mosquitto.conf but for places, port and user."""
        text = (DEPLOY / "mosquitto.conf").read_text()
        for place, ours in (
            ("/etc/mosquitto/certs", str(self.folder)),
            ("/etc/mosquitto/acl", str(DEPLOY / "acl")),
            ("/var/lib/mosquitto/", f"{self.folder}/"),
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
            ("listener 8884", f"listener {self.inside}"),
        ):
            assert place in text
            text = text.replace(place, ours)
        conf = self.folder / "mosquitto.conf"
        conf.write_text(f"{text}user root\n")
        self._process = subprocess.Popen(
            [needs("mosquitto", why="apt-get install mosquitto"), "-c", str(conf)],
            stderr=subprocess.DEVNULL,
        )
        wait_for_port(self.port)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def file(self, name: str) -> Path:
        return self.folder / name

    def client(self, name: str | None, client_id: str = "") -> paho.Client:
        """A device with the certificate of this name, or with none; as most are, without a user name."""
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id or f"device-{name}", protocol=paho.MQTTv5
        )
        context = ssl.create_default_context(cafile=self.file("ca.pem"))
        if name is not None:
            context.load_cert_chain(self.file(f"{name}.pem"), self.file(f"{name}.key"))
        client.tls_set_context(context)
        return client


def let_in(site: Site, name: str | None) -> bool:
    """Whether the broker lets a device in: says so itself, after TLS."""
    client = site.client(name)
    said: list[ReasonCode] = []
    client.on_connect = lambda _client, _data, _flags, code, _properties: said.append(code)
    try:
        client.connect("127.0.0.1", site.port)
        end_s = time.monotonic() + 10
        while not said and client.loop(0.1) == paho.MQTT_ERR_SUCCESS and time.monotonic() < end_s:
            pass
    except (ssl.SSLError, ConnectionError):
        return False
    finally:
        client.disconnect()
        client.loop(0.1)
    return bool(said) and not said[0].is_failure


def answer_to(site: Site, name: str, topic: str) -> int:
    """What the broker says to a batch published by a device."""
    client = site.client(name)
    said: list[int] = []
    client.on_publish = lambda _client, _data, _id, code, _properties: said.append(code.value)
    client.connect("127.0.0.1", site.port)
    try:
        end_s = time.monotonic() + 10
        while not client.is_connected() and time.monotonic() < end_s:
            client.loop(0.1)
        client.publish(topic, b"{}", qos=1)
        while not said and time.monotonic() < end_s:
            client.loop(0.1)
    finally:
        client.disconnect()
    assert said, "the broker said nothing"
    return said[0]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    made = Site(tmp_path_factory.mktemp("site"))
    made.start()
    yield made
    made.stop()


def worker_tls_of(site: Site) -> Tls:
    return Tls(
        ca_file=site.file("ca.pem"),
        cert_file=site.file("linklag-worker.pem"),
        key_file=site.file("linklag-worker.key"),
    )


def worker_tls(site: Site) -> dict[str, Any]:
    return {
        "tls_ca_file": site.file("ca.pem"),
        "tls_cert_file": site.file("linklag-worker.pem"),
        "tls_key_file": site.file("linklag-worker.key"),
    }


def test_a_device_publishes_to_its_own_topics_and_the_worker_takes_it(site: Site) -> None:
    with MqttSource(
        "localhost", site.inside, root=ROOT, client_id="linklag-worker", tls=worker_tls_of(site)
    ) as source:
        end_s = time.monotonic() + 10
        while not source.status().connected and time.monotonic() < end_s:
            time.sleep(0.02)
        wanted = {f"{ROOT}/kiln-feed/{form}" for form in ("pulses", "lag", "status")}
        assert [answer_to(site, "kiln-feed", topic) for topic in sorted(wanted)] == [SUCCESS] * 3
        got: set[str] = set()
        while not wanted <= got and time.monotonic() < end_s:
            messages = source.receive(10, 0.2)
            got |= {message.topic for message in messages}
            source.acknowledge(messages)
    assert wanted <= got  # what another test published may have waited too


@pytest.mark.parametrize(
    "topic",
    [
        f"{ROOT}/press-3/pulses",
        f"{ROOT}/kiln-feed/elongation",
        f"{ROOT}/kiln-feed/alerts",
        f"{ROOT}/kiln-feed/pulses/more",
        f"{ROOT}/documents",
        "linklag/v2/kiln-feed/pulses",
    ],
)
def test_a_device_gets_nowhere_with_a_topic_that_is_not_its_own(site: Site, topic: str) -> None:
    assert answer_to(site, "kiln-feed", topic) == NOT_AUTHORIZED


def test_a_device_hears_nothing_of_what_others_say(site: Site) -> None:
    client = site.client("kiln-feed")
    granted: list[int] = []
    heard: list[str] = []
    client.on_subscribe = lambda _client, _data, _id, codes, _properties: granted.extend(
        code.value for code in codes
    )
    client.on_message = lambda _client, _data, message: heard.append(message.topic)
    client.connect("127.0.0.1", site.port)
    client.loop_start()
    try:
        end_s = time.monotonic() + 10
        while not client.is_connected() and time.monotonic() < end_s:
            time.sleep(0.01)
        client.subscribe([("#", 1), (f"{ROOT}/kiln-feed/elongation", 1)])
        while not granted and time.monotonic() < end_s:
            time.sleep(0.01)
        site.add_device("press-3")
        assert answer_to(site, "press-3", f"{ROOT}/press-3/pulses") == SUCCESS
        time.sleep(0.3)
    finally:
        client.disconnect()
        client.loop_stop()
    assert heard == []


def test_no_device_can_take_over_the_session_of_the_worker(site: Site) -> None:
    """MQTT gives a session to who comes with its client id; what waited in it would go to the wrong one, and be lost."""
    with MqttSource(
        "localhost", site.inside, root=ROOT, client_id="linklag-worker", tls=worker_tls_of(site)
    ) as source:
        end_s = time.monotonic() + 10
        while not source.status().connected and time.monotonic() < end_s:
            time.sleep(0.02)
        client = site.client("kiln-feed", client_id="linklag-worker")
        client.connect("127.0.0.1", site.port)
        while not client.is_connected() and time.monotonic() < end_s:
            client.loop(0.1)
        assert client.is_connected()
        time.sleep(0.5)
        assert (source.status().connected, source.status().reconnects) == (True, 0)
        client.disconnect()


def test_nobody_comes_in_without_a_certificate_of_the_site(site: Site, tmp_path: Path) -> None:
    assert let_in(site, "kiln-feed")
    assert not let_in(site, None)
    other = Site(tmp_path)  # another site, whose device bears the same name
    for suffix in ("pem", "key"):
        shutil.copy(other.file(f"kiln-feed.{suffix}"), site.file(f"stranger.{suffix}"))
    assert not let_in(site, "stranger")


def test_a_certificate_of_a_server_is_none_of_a_device(site: Site) -> None:
    assert not let_in(site, "page")


def signed(site: Site, name: str, more: str, *, subject: str = "") -> None:
    """A device's certificate that is signed with more options, or to another subject."""
    new, _look, sign = (line.replace("kiln-feed", name) for line in commands_of("For each device"))
    run_all(
        site.folder, [new.replace(f'"/CN={name}"', shlex.quote(f"/CN={subject or name}")), f"{sign} {more}"]
    )


@pytest.mark.parametrize(
    ("name", "from_to"),
    [("was-good", "20250101000000Z 20250201000000Z"), ("not-yet", "20980101000000Z 20990101000000Z")],
)
def test_a_certificate_that_is_over_or_not_yet_good_lets_nobody_in(
    site: Site, name: str, from_to: str
) -> None:
    begin, end = from_to.split()
    signed(site, name, f"-startdate {begin} -enddate {end}")
    assert not let_in(site, name)


def test_a_certificate_that_a_device_signed_itself_lets_nobody_in(site: Site) -> None:
    made = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -noenc -keyout own.key -out own.pem"
    run_all(site.folder, [f'{made} -days 30 -subj "/CN=kiln-feed"'])
    assert not let_in(site, "own")


@pytest.mark.parametrize("subject", ["+", "#"])
def test_a_name_that_is_a_wildcard_gives_the_topics_of_no_other_device(site: Site, subject: str) -> None:
    """Should somebody sign such a name without looking: %u in the rights must not become a filter."""
    name = {"+": "plus", "#": "hash"}[subject]
    signed(site, name, "", subject="\\" + subject)  # which OpenSSL would take as a sign of its own
    assert answer_to(site, name, f"{ROOT}/press-3/pulses") == NOT_AUTHORIZED


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("wrong", ["another CA", "another name"])
def test_the_worker_does_not_speak_to_a_broker_that_is_not_its_own(
    site: Site, tmp_path: Path, wrong: str
) -> None:
    tls = worker_tls_of(site)
    if wrong == "another CA":
        run_all(
            tmp_path,
            [
                'openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -noenc -keyout k -out ca -subj "/CN=x"'
            ],
        )
        tls = replace(tls, ca_file=tmp_path / "ca")
    host = (
        "localhost" if wrong == "another CA" else "127.1"
    )  # the same address, and not in the broker's certificate
    with MqttSource(host, site.inside, root=ROOT, client_id="linklag-worker", tls=tls) as source:
        end_s = time.monotonic() + 10
        while "certificate" not in (trouble := source.status().trouble.lower()) and time.monotonic() < end_s:
            time.sleep(0.02)
        assert not source.status().connected
        assert "certificate is not trusted" in trouble
    gc.collect()  # paho leaves the socket of a handshake that failed to the collector


def test_check_finds_that_the_worker_may_do_all_it_must(site: Site, tmp_path: Path) -> None:
    broker = Broker(host="localhost", port=site.inside, tls=True, **worker_tls(site))
    finding = check_broker(Settings(broker=broker, store=Store(folder=tmp_path)))
    assert finding.fix == "", finding.found


def test_what_the_compose_file_sets_is_fit_to_run(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the files of this site as its secrets, and the broker's port on this machine."""
    compose = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    files = {name: Path(secret["file"]).name for name, secret in compose["secrets"].items()}
    for name, value in (
        compose["services"]["worker"]["environment"] | compose["services"]["web"]["environment"]
    ).items():
        secret = value.removeprefix("/run/secrets/")
        value = str(site.file(files[secret])) if secret != value else value  # noqa: PLW2901 (the same, in its place)
        monkeypatch.setenv(name, re.sub(r"\$\{LINKLAG_\w+:[?-](.*?)\}", r"\1", value).replace(" ", "-"))
    monkeypatch.setenv("LINKLAG_BROKER__PORT", str(site.inside))
    monkeypatch.setenv("LINKLAG_BROKER__HOST", "localhost")
    monkeypatch.setenv("LINKLAG_STORE__FOLDER", str(tmp_path))
    settings = read_settings()
    assert settings.web.tls
    assert settings.web.login_on
    assert settings.warnings == []
    assert check_broker(settings).fix == ""


def test_a_request_cannot_give_itself_more_than_a_device_may(site: Site) -> None:
    """A device that asks for the rights of a CA, or for another name beside its own, gets a device's certificate."""
    new = commands_of("For each device")[0].replace("kiln-feed", "greedy")
    sign = commands_of("For each device")[2].replace("kiln-feed", "greedy")
    asks = ' -addext "basicConstraints=critical,CA:TRUE" -addext "subjectAltName=DNS:broker"'
    run_all(site.folder, [new + asks, sign])
    told = subprocess.run(
        ["openssl", "x509", "-in", "greedy.pem", "-noout", "-text"],
        cwd=site.folder, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert "CA:FALSE" in told
    assert "CA:TRUE" not in told
    assert "DNS:" not in told


def test_a_revoked_device_is_shut_out_and_the_others_are_not(tmp_path: Path) -> None:
    site = Site(tmp_path)
    site.add_device("press-3")
    site.start()
    try:
        assert let_in(site, "kiln-feed")
        run_all(site.folder, commands_of("When a device is lost"))
        site.stop()
        site.start()
        assert not let_in(site, "kiln-feed")
        assert let_in(site, "press-3")
    finally:
        site.stop()


def test_keys_are_for_their_owner_alone_and_dates_can_be_read(site: Site) -> None:
    keys = list(site.folder.glob("*.key"))
    assert len(keys) >= 4
    assert all(key.stat().st_mode & 0o077 == 0 for key in keys)
    assert "ENCRYPTED" in site.file("ca.key").read_text()
    run_all(site.folder, commands_of("When they run out"))
