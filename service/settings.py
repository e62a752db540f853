"""The settings: one TOML file and the environment, read once, checked, frozen.

Knows every key, its unit, range and default; must not know what is built from them (that is `main`'s).
Later wins: default, file, environment (`LINKLAG_BROKER__HOST`), command line. Whatever is wrong ends
the start with a `SettingsError` that names the key and the fix. Secrets are never part of a message.
`deploy/linklag.toml` lists every key; a test holds it to this file.
"""

import difflib
import os
import re
import sys
import tomllib
from collections.abc import Mapping
from datetime import UTC, tzinfo
from ipaddress import ip_address, ip_network
from itertools import combinations
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_settings import BaseSettings, EnvSettingsSource, NoDecode, PydanticBaseSettingsSource
from pydantic_settings import SettingsError as SourceError

from service.core import partition as core_partition
from service.core.drive import DRIVE_ID

PREFIX = "LINKLAG_"
NAMED = "partition"  # of this section there are many, each with a name
FILE_NAME = "linklag.toml"
SECRETS = frozenset(
    {"broker.password", "amqp.password", "store.password", "store.url", "influx.url", "influx.token"}
)  # what stands here is never repeated in a message
Values = dict[str, Any]
TaskKind = Literal["watch", "foretelling", "folding", "housekeeping", "delivery", "handing_over"]


class SettingsError(Exception):
    """The settings cannot be used. The message names each key that is wrong, and the fix."""


def user_data_folder(platform: str = sys.platform) -> Path:
    """Return the folder in which the system wants a user's application data, with `linklag` at its end.

    Source: XDG Base Directory Specification 0.8, XDG_DATA_HOME (relative values are to be ignored).
    """
    given = os.environ.get("LOCALAPPDATA" if platform == "win32" else "XDG_DATA_HOME", "")
    if given and Path(given).is_absolute():
        return Path(given) / "linklag"
    home = Path.home()
    usual = {"darwin": home / "Library/Application Support", "win32": home / "AppData/Local"}
    return usual.get(platform, home / ".local/share") / "linklag"


class _Section(BaseModel):
    """A table of the settings file: frozen, and no key that nobody reads."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True, hide_input_in_errors=True)


class Broker(_Section):
    """The MQTT 5 broker that the capture devices publish to."""

    host: str = Field(default="127.0.0.1", min_length=1, description="name or address of the broker")
    port: int = Field(default=1883, ge=1, le=65535, description="its TCP port; 8883 is usual with TLS")
    root: str = Field(default="linklag/v1", description="topic levels above the drive; may have several")
    client_id: str = Field(
        default="linklag-worker",
        pattern=r"^[A-Za-z0-9_.-]{1,64}$",
        description="stable id under which the broker keeps what came while the worker was away; "
        "two workers on one broker need two ids",
    )
    username: str | None = Field(default=None, min_length=1, description="user name at the broker")
    password_file: Path | None = Field(default=None, description="file whose first line is the password")
    password: SecretStr | None = Field(
        default=None, description="the password itself; a file is the better place"
    )
    tls: bool = Field(default=False, description="encrypt, and check the broker's certificate")
    tls_ca_file: Path | None = Field(
        default=None, description="certificates to trust (PEM) in place of the system's"
    )
    tls_cert_file: Path | None = Field(
        default=None, description="certificate that the worker shows the broker (PEM)"
    )
    tls_key_file: Path | None = Field(
        default=None, description="its private key (PEM), if not in the same file"
    )
    allow_insecure: bool = Field(
        default=False, description="allow a broker off this machine without TLS or without credentials"
    )
    receive_maximum: int = Field(
        default=500,
        ge=20,
        le=65535,
        description="batches that the broker may send ahead of our acknowledgement",
    )
    session_expiry_days: int = Field(
        default=30,
        ge=1,
        le=3650,
        description="days for which the broker keeps batches for a worker that is away",
    )
    keepalive_s: int = Field(
        default=30, ge=5, le=3600, description="seconds of silence after which each side pings"
    )
    mqtt_version: Literal["5", "3.1.1"] = Field(
        default="5",
        description="MQTT by which we publish; 3.1.1 is for RabbitMQ before 3.13, and needs [amqp] to take batches",
    )
    sparkplug_groups: Annotated[tuple[str, ...], NoDecode] = Field(
        default=(),
        description="Sparkplug B groups whose nodes carry batches in metrics; needs linklag[sparkplug]",
    )

    @field_validator("sparkplug_groups", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        return tuple(filter(None, map(str.strip, value.split(",")))) if isinstance(value, str) else value

    @field_validator("sparkplug_groups")
    @classmethod
    def _are_groups(cls, groups: tuple[str, ...]) -> tuple[str, ...]:
        return _groups(groups)

    @field_validator("root")
    @classmethod
    def _is_a_topic(cls, root: str) -> str:
        return _root(root)

    @field_validator("password_file", "tls_ca_file", "tls_cert_file", "tls_key_file")
    @classmethod
    def _can_be_read(cls, path: Path | None) -> Path | None:
        if path is not None:
            _read(path)
        return path

    @field_validator("password")
    @classmethod
    def _from_file(cls, password: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        return _first_line(password, info.data.get("password_file"), "broker")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.password is not None and self.username is None:
            raise ValueError("has a password but no user name: set broker.username")
        files = (self.tls_ca_file, self.tls_cert_file, self.tls_key_file)
        if not self.tls and any(files):
            raise ValueError("has tls_..._file but TLS is off: set broker.tls = true")
        if self.tls_key_file and not self.tls_cert_file:
            raise ValueError("has a key without a certificate: set broker.tls_cert_file")
        if not (self.allow_insecure or is_loopback(self.host)) and self.lacks:
            raise ValueError(
                f"host {self.host} is another machine and {' and '.join(self.lacks)}, so anyone on the way could "
                "read or forge pulses: set them, or accept that with broker.allow_insecure = true"
            )
        return self

    @property
    def lacks(self) -> list[str]:
        """What a connection that leaves the machine should have and this one has not."""
        lacks = [] if self.tls else ["TLS is off (broker.tls)"]
        if self.username is None and self.tls_cert_file is None:
            lacks.append("there are no credentials (broker.username and broker.password_file)")
        return lacks


class Partition(_Section):
    """What one of several workers takes, in place of all under broker.root."""

    roots: Annotated[tuple[str, ...], NoDecode] = Field(
        default=(), max_length=100, description="topic levels above the drive, in place of broker.root"
    )
    drives: Annotated[tuple[str, ...], NoDecode] = Field(
        default=(), max_length=5000, description="ids of the drives under them; without, all"
    )
    client_id: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9_.-]{1,64}$",
        description="stable id at the broker; without, broker.client_id with the partition's name",
    )
    host: str | None = Field(
        default=None, min_length=1, description="a broker of its own, in place of broker.host"
    )
    port: int | None = Field(default=None, ge=1, le=65535, description="its TCP port")
    sparkplug_groups: Annotated[tuple[str, ...], NoDecode] = Field(
        default=(), description="Sparkplug B groups that this partition takes"
    )
    queues: tuple[int, ...] = Field(
        default=(), description="numbers of the queues that it takes from, where there is [amqp]"
    )

    @field_validator("roots", "drives", "sparkplug_groups", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        return tuple(filter(None, map(str.strip, value.split(",")))) if isinstance(value, str) else value

    @field_validator("roots")
    @classmethod
    def _are_topics(cls, roots: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(map(_root, roots))

    @field_validator("drives")
    @classmethod
    def _are_drives(cls, drives: tuple[str, ...]) -> tuple[str, ...]:
        for drive_id in drives:
            if DRIVE_ID.fullmatch(drive_id) is None:
                raise ValueError(
                    f"{drive_id!r} is no drive id. A filter matches whole levels: name each drive, or give the drives of a "
                    "partition a root of their own (roots)"
                )
        return drives

    @field_validator("sparkplug_groups")
    @classmethod
    def _are_groups(cls, groups: tuple[str, ...]) -> tuple[str, ...]:
        return _groups(groups)

    @model_validator(mode="after")
    def _takes_groups_whole(self) -> Self:
        if self.drives and self.sparkplug_groups:
            raise ValueError(
                "has both drives and sparkplug_groups, but a group comes whole: give the groups to a partition without drives"
            )
        return self


class Amqp(_Section):
    """RabbitMQ as the way in: devices publish to its MQTT plugin ([broker]), workers take from its queues."""

    host: str = Field(
        default="", description="name or address of RabbitMQ; empty: batches come by MQTT from [broker]"
    )
    port: int = Field(
        default=5672, ge=1, le=65535, description="its TCP port for AMQP; 5671 is usual with TLS"
    )
    vhost: str = Field(default="/", min_length=1, description="its virtual host")
    queues: int = Field(
        default=4, ge=1, le=256, description="queues over which drives are spread; more than workers"
    )
    username: str | None = Field(default=None, min_length=1, description="the worker's user there")
    password_file: Path | None = Field(default=None, description="file whose first line is the password")
    password: SecretStr | None = Field(
        default=None, description="the password itself; a file is the better place"
    )
    tls: bool = Field(default=False, description="encrypt, and check RabbitMQ's certificate")
    tls_ca_file: Path | None = Field(
        default=None, description="certificates to trust (PEM) in place of the system's"
    )
    tls_cert_file: Path | None = Field(
        default=None, description="certificate that the worker shows (PEM); without username it is who we are"
    )
    tls_key_file: Path | None = Field(
        default=None, description="its private key (PEM), if not in the same file"
    )
    allow_insecure: bool = Field(
        default=False, description="allow another machine without TLS or without credentials"
    )
    prefetch: int = Field(
        default=500,
        ge=20,
        le=65535,
        description="batches of a queue that RabbitMQ may send ahead of our acknowledgement",
    )
    heartbeat_s: int = Field(
        default=60, ge=5, le=3600, description="seconds of silence after which each side asks for the other"
    )

    @field_validator("password_file", "tls_ca_file", "tls_cert_file", "tls_key_file")
    @classmethod
    def _can_be_read(cls, path: Path | None) -> Path | None:
        if path is not None:
            _read(path)
        return path

    @field_validator("password")
    @classmethod
    def _from_file(cls, password: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        return _first_line(password, info.data.get("password_file"), "amqp")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.password is not None and self.username is None:
            raise ValueError("has a password but no user name: set amqp.username")
        if not self.tls and any((self.tls_ca_file, self.tls_cert_file, self.tls_key_file)):
            raise ValueError("has tls_..._file but TLS is off: set amqp.tls = true")
        if self.tls_key_file and not self.tls_cert_file:
            raise ValueError("has a key without a certificate: set amqp.tls_cert_file")
        if self.host and self.lacks and not (self.allow_insecure or is_loopback(self.host)):
            raise ValueError(
                f"host {self.host} is another machine and {' and '.join(self.lacks)}, so anyone on the way could "
                "read or forge pulses: set them, or accept that with amqp.allow_insecure = true"
            )
        return self

    @property
    def lacks(self) -> list[str]:
        """What a connection that leaves the machine should have and this one has not."""
        lacks = [] if self.tls else ["TLS is off (amqp.tls)"]
        if self.username is None and self.tls_cert_file is None:
            lacks.append("there are no credentials (amqp.username and amqp.password_file)")
        return lacks


class Store(_Section):
    """Where readings and the register are kept."""

    folder: Path = Field(
        default_factory=user_data_folder, description="folder of the database file linklag.db"
    )
    url: str = Field(
        default="",
        repr=False,
        description="database in place of the folder's file: sqlite:////PATH or postgresql://USER@HOST:PORT/DATABASE",
    )
    password_file: Path | None = Field(
        default=None, description="file whose first line is the password at the database server"
    )
    password: SecretStr | None = Field(
        default=None, description="the password itself; a file is the better place"
    )
    tls: bool | None = Field(
        default=None,
        description="encrypt, and check the server's certificate and name; without it: where it is another machine",
    )
    tls_ca_file: Path | None = Field(default=None, description="certificates to trust (PEM)")
    tls_cert_file: Path | None = Field(default=None, description="certificate that we show the server (PEM)")
    tls_key_file: Path | None = Field(
        default=None, description="its private key (PEM), if not in the same file"
    )
    allow_insecure: bool = Field(
        default=False, description="allow a server off this machine without TLS or without credentials"
    )

    @field_validator("url")
    @classmethod
    def _in_the_folder(cls, url: str, info: ValidationInfo) -> str:
        folder: Path | None = info.data.get("folder")
        if not url:
            return f"sqlite:///{(folder / 'linklag.db').absolute()}" if folder is not None else url
        if url.startswith("sqlite:///") and url.removeprefix("sqlite:///"):
            return url
        try:
            parts = urlsplit(url)
            served = (
                parts.scheme == "postgresql" and parts.username and parts.path.strip("/") and parts.port != 0
            )
        except ValueError:  # a port that is none
            served = False
        if not served:
            raise ValueError(
                "must be like sqlite:////var/lib/linklag/linklag.db or postgresql://linklag@127.0.0.1:5432/linklag"
            )
        if parts.password is not None:
            raise ValueError("must not hold the password: give store.password_file")
        if parts.query and (parts.hostname or not re.fullmatch(r"host=/[\w./-]+", parts.query)):
            raise ValueError(
                "may have nothing behind its ? but host=/FOLDER, for a socket on this machine, and no other host then; "
                "TLS is store.tls and store.tls_..._file"
            )
        return url

    @field_validator("password_file", "tls_ca_file", "tls_cert_file", "tls_key_file")
    @classmethod
    def _can_be_read(cls, path: Path | None) -> Path | None:
        if path is not None:
            _read(path)
        return path

    @field_validator("password")
    @classmethod
    def _from_file(cls, password: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        return _first_line(password, info.data.get("password_file"), "store", "password")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        files = (self.tls_ca_file, self.tls_cert_file, self.tls_key_file)
        if not self.on_server:
            if self.password is not None or self.tls or any(files):
                raise ValueError("has a password or tls but is a file: set store.url to a database server")
            return self
        if any(files) and not self.with_tls:
            raise ValueError("has tls_..._file but TLS is off: set store.tls = true")
        if self.tls_key_file and not self.tls_cert_file:
            raise ValueError("has a key without a certificate: set store.tls_cert_file")
        if self.with_tls and not self.tls_ca_file:
            raise ValueError(
                "takes TLS and has no certificates to trust: set store.tls_ca_file (those of a Debian system are in "
                "/etc/ssl/certs/ca-certificates.crt)"
            )
        if self.lacks and not self.allow_insecure:
            raise ValueError(
                f"url is on another machine and {' and '.join(self.lacks)}, so anyone on the way could read or change "
                "everything: set them, or accept that with store.allow_insecure = true"
            )
        return self

    @property
    def on_server(self) -> bool:
        """Whether a database server keeps the store, in place of a file."""
        return self.url.startswith("postgresql:")

    @property
    def with_tls(self) -> bool:
        """Whether the way to the server is encrypted, and who answers is checked."""
        return self._elsewhere if self.tls is None else self.tls

    @property
    def _elsewhere(self) -> bool:
        host = urlsplit(self.url).hostname  # none: a socket of this machine
        return self.on_server and host is not None and not is_loopback(host)

    @property
    def lacks(self) -> list[str]:
        """What a connection that leaves the machine should have and this one has not."""
        if not self._elsewhere:
            return []
        lacks = [] if self.with_tls else ["TLS is off (store.tls)"]
        if self.password is None and self.tls_cert_file is None:
            lacks.append("there are no credentials (store.password_file)")
        return lacks

    @property
    def file(self) -> Path:
        """The database file; with a server the name beside which marks and other small files are kept."""
        return self.folder / "linklag.db" if self.on_server else Path(self.url.removeprefix("sqlite:///"))

    @property
    def place(self) -> str:
        """Where the store is, for people."""
        return self.url if self.on_server else str(self.file)


class Influx(_Section):
    """InfluxDB as the store of readings and roll-ups, in place of the database, which keeps all else."""

    url: str = Field(
        default="",
        description="its address, as https://influx.plant.example:8086; empty: readings are in [store]",
    )
    org: str = Field(default="-", min_length=1, description="organisation; 1.8 and 3 have none")
    bucket: str = Field(
        default="linklag",
        pattern=r"^[^\s\"'\\]{1,120}$",
        description="bucket of linklag's own; of 1.8 DATABASE/POLICY, of 3 a database",
    )
    token_file: Path | None = Field(
        default=None, description="file whose first line is the token; of 1.8 USER:PASSWORD"
    )
    token: SecretStr | None = Field(default=None, description="the token itself; a file is the better place")
    tls_ca_file: Path | None = Field(
        default=None, description="certificates to trust (PEM) in place of the system's"
    )
    allow_insecure: bool = Field(
        default=False, description="allow another machine without https or without a token"
    )
    timeout_s: float = Field(
        default=10.0, ge=0.5, le=120, description="seconds within which it must have answered"
    )

    @field_validator("url")
    @classmethod
    def _is_an_address(cls, url: str) -> str:
        try:
            parts = urlsplit(url)
            named = parts.scheme in {"http", "https"} and parts.hostname and parts.port != 0
        except ValueError:  # a port that is none
            named = False
        if url and (
            not named or parts.query or parts.fragment or not url.isprintable() or "@" in parts.netloc
        ):
            raise ValueError(
                "is no address of a server: give one like https://influx.plant.example:8086, without user or token"
            )
        return url.rstrip("/")

    @field_validator("token_file", "tls_ca_file")
    @classmethod
    def _can_be_read(cls, path: Path | None) -> Path | None:
        if path is not None:
            _read(path)
        return path

    @field_validator("token")
    @classmethod
    def _from_file(cls, token: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        return _first_line(token, info.data.get("token_file"), "influx", "token")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.url and self.tls_ca_file and not self.url.startswith("https:"):
            raise ValueError("has tls_ca_file but its address is http: write https in influx.url")
        if self.lacks and not self.allow_insecure:
            raise ValueError(
                f"url is on another machine and {' and '.join(self.lacks)}, so anyone on the way could read or forge "
                "readings: set them, or accept that with influx.allow_insecure = true"
            )
        return self

    @property
    def lacks(self) -> list[str]:
        """What a connection that leaves the machine should have and this one has not."""
        if not self.url or is_loopback(urlsplit(self.url).hostname or ""):
            return []
        lacks = [] if self.url.startswith("https:") else ["TLS is off (https in influx.url)"]
        return lacks + (["there is no token (influx.token_file)"] if self.token is None else [])


class Web(_Section):
    """The page and the API."""

    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        description="address to serve on; off this machine only with login, and TLS or a proxy",
    )
    port: int = Field(default=8390, ge=1, le=65535, description="TCP port to serve on")
    allowed_hosts: Annotated[tuple[str, ...], NoDecode] = Field(
        default=("localhost", "127.0.0.1", "[::1]"),
        min_length=1,
        description="names under which browsers may ask for the page (add the reverse proxy's)",
    )
    public_url: str = Field(
        default="",
        description="address by which people reach the page, for links in mails, events, calendars",
    )
    login: Literal["off", "on"] | None = Field(
        default=None,
        description="whether people sign in; without it: where another machine can reach the page",
    )
    session_hours: int = Field(
        default=12, ge=1, le=720, description="hours after which somebody must sign in again"
    )
    session_idle_minutes: int = Field(
        default=120, ge=5, le=43_200, description="minutes without use after which somebody must"
    )
    tls_cert_file: Path | None = Field(
        default=None, description="certificate that the page shows (PEM, with those in between)"
    )
    tls_key_file: Path | None = Field(
        default=None, description="its private key (PEM), if not in the same file"
    )
    behind_proxy: bool = Field(
        default=False, description="a reverse proxy takes https and sends X-Forwarded-For and -Proto"
    )
    proxy_addresses: Annotated[tuple[str, ...], NoDecode] = Field(
        default=("127.0.0.1", "::1"),
        min_length=1,
        description="addresses or networks of that proxy; what others send of these headers does not count",
    )
    zone: str = Field(
        default="UTC", description="time zone of the plant, for the pages; data and API are in UTC"
    )
    language: Literal["en", "de"] = Field(
        default="en", description="language of pages where neither the reader nor the browser says another"
    )
    stale_after_s: float = Field(
        default=180.0, ge=1, le=1e7, description="seconds after which a drive without news is said to be so"
    )
    worker_stale_s: float = Field(
        default=600.0, ge=10, le=1e7, description="seconds without any reading after which the worker is down"
    )

    @field_validator("allowed_hosts", "proxy_addresses", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        return tuple(part.strip() for part in value.split(",")) if isinstance(value, str) else value

    @field_validator("public_url")
    @classmethod
    def _is_an_address(cls, url: str) -> str:
        try:
            parts = urlsplit(url.strip())
            named = (
                parts.scheme in {"http", "https"}
                and parts.hostname
                and not parts.username
                and parts.port != 0
            )
        except ValueError:  # a port that is none
            named = False
        if url.strip() and (not named or parts.query or parts.fragment or not url.strip().isprintable()):
            raise ValueError(f"{url!r} is no address of a page: give one like https://chains.plant.example")
        return url.strip().rstrip("/")

    @field_validator("zone")
    @classmethod
    def _is_a_zone(cls, zone: str) -> str:
        try:
            _zone(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: the name of a folder of zones
            raise ValueError(
                f"{zone!r} is no time zone here: give a name like Europe/Berlin, or UTC "
                "(a system without time zone data: pip install tzdata)"
            ) from None
        return zone

    @field_validator("tls_cert_file", "tls_key_file")
    @classmethod
    def _can_be_read(cls, path: Path | None) -> Path | None:
        if path is not None:
            _read(path)
        return path

    @field_validator("proxy_addresses")
    @classmethod
    def _are_addresses(cls, addresses: tuple[str, ...]) -> tuple[str, ...]:
        for address in addresses:
            try:
                network = ip_network(address)
            except ValueError:
                raise ValueError(
                    f"{address!r} is no address: give ones like 10.0.0.5, or networks like 10.0.0.0/28"
                ) from None
            if network.prefixlen == 0:
                raise ValueError(
                    f"{address} is everybody, who could then claim to be anybody: name the proxy's address"
                )
        return addresses

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.tls_key_file and not self.tls_cert_file:
            raise ValueError("has a key without a certificate: set web.tls_cert_file")
        if self.tls and self.behind_proxy:
            raise ValueError(
                "has both a certificate and behind_proxy: take https here (web.tls_cert_file) or in the proxy "
                "(web.behind_proxy), not both"
            )
        if is_loopback(self.host):
            return self
        if self.login == "off":
            raise ValueError(
                f"host {self.host} shows the page to the network and login is off, so that anybody there could change "
                'everything: set web.login = "on", or keep web.host = "127.0.0.1"'
            )
        if not self.tls and not self.behind_proxy:
            raise ValueError(
                f"host {self.host} shows the page to the network and anyone on the way could read passwords: set "
                "web.tls_cert_file and web.tls_key_file, or put a reverse proxy that takes https before it and say so "
                'with web.behind_proxy = true, or keep web.host = "127.0.0.1"'
            )
        if all(is_loopback(name) for name in self.allowed_hosts):
            raise ValueError(
                f"host {self.host} shows the page to the network, and web.allowed_hosts has no name under which "
                "another machine can ask for it: add the one that people type, as chains.plant.example"
            )
        return self

    @property
    def tls(self) -> bool:
        """Whether the page is served with TLS."""
        return self.tls_cert_file is not None

    @property
    def login_on(self) -> bool:
        """Whether people sign in."""
        reached = self.behind_proxy or not is_loopback(self.host)
        return self.login == "on" if self.login is not None else reached

    @property
    def zone_info(self) -> tzinfo:
        """The time zone of the plant."""
        return _zone(self.zone)


class Retention(_Section):
    """How long the series are kept. Roll-ups by the day are kept for ever."""

    raw_days: int = Field(default=90, ge=2, le=36500, description="days for which every reading is kept")
    minute_days: int = Field(
        default=366, ge=2, le=36500, description="days for which roll-ups by the minute are kept"
    )
    hour_days: int = Field(
        default=3660, ge=2, le=36500, description="days for which roll-ups by the hour are kept"
    )
    batches_mb: int = Field(
        default=256,
        ge=0,
        le=1_000_000,
        description="megabytes of batches kept as they came, to commission by and to convert again; 0 keeps none",
    )
    rejections_per_drive: int = Field(
        default=200, ge=1, le=10_000, description="refused messages kept for each drive, oldest out first"
    )


class Worker(_Section):
    """How the worker groups what it stores: one durable commit for many batches."""

    flush_batches: int = Field(
        default=200, ge=1, le=10_000, description="batches after which a commit is made"
    )
    flush_ms: int = Field(
        default=100, ge=1, le=10_000, description="milliseconds after which one is made anyway"
    )
    fold_s: int = Field(
        default=60,
        ge=1,
        le=86_400,
        description="seconds from one folding of batches into maps of chains to the next",
    )
    watch_s: int = Field(
        default=5, ge=1, le=3600, description="seconds from one look at what is due for alerts to the next"
    )
    judge_s: int = Field(
        default=3600,
        ge=10,
        le=86_400,
        description="seconds, by a drive's own time, from one judgement of many of its readings to the next",
    )
    foretell_s: int = Field(
        default=3600,
        ge=10,
        le=86_400,
        description="seconds from one forecast of a drive to the next; what people enter brings one at once",
    )
    roll_up_s: int = Field(
        default=5, ge=1, le=3600, description="seconds from one run of the roll-ups to the next"
    )
    forget_s: int = Field(
        default=3600, ge=10, le=86_400, description="seconds from one run of the retention to the next"
    )
    drive_batches_per_s: float = Field(
        default=2.0,
        ge=0,
        le=1000,
        description="batches a drive may send for each second of its own time; 0: whatever it likes",
    )
    drive_burst: int = Field(
        default=10_000,
        ge=100,
        le=10_000_000,
        description="messages beyond that which a drive may send at once, as repeats after an outage",
    )
    backlog_days: int = Field(
        default=31,
        ge=1,
        le=36500,
        description="days that a backlog may reach back and not count against the burst",
    )
    tasks: Annotated[tuple[TaskKind, ...], NoDecode] = Field(
        default=get_args(TaskKind),
        description="what a worker is ready to do besides taking batches; of several processes one does each",
    )
    takeover_s: float = Field(
        default=15.0,
        ge=0.5,
        le=3600,
        description="seconds without a sign of life of a process after which others take over what it did",
    )
    metrics_host: str = Field(
        default="127.0.0.1", description="address of the metrics of a process that has no page"
    )
    metrics_port: int = Field(
        default=0, ge=0, le=65_535, description="port of these metrics; 0: they are not served"
    )
    spool_folder: Path | None = Field(
        default=None,
        description="folder on this machine where batches wait while the store is away for long; without it they "
        "wait at the broker alone",
    )
    spool_after_s: int = Field(
        default=60,
        ge=0,
        le=86_400,
        description="seconds for which the store must have been away before batches go there",
    )
    spool_mb: int = Field(
        default=1000,
        ge=16,
        le=10_000_000,
        description="megabytes that they may take there; beyond, no more is taken from the broker",
    )

    @field_validator("tasks", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        return tuple(filter(None, map(str.strip, value.split(",")))) if isinstance(value, str) else value


class HandOver(_Section):
    """How shifts hand over. The shifts of each site are set on its page."""

    by_clock: bool = Field(default=True, description="freeze a handover when a shift ends")
    after_s: int = Field(
        default=60,
        ge=0,
        le=3600,
        description="seconds after the end of a shift at which it is frozen, so that what it sent is there",
    )


class Deliver(_Section):
    """How alerts go out: what all routes have in common. The routes themselves are set on the page."""

    mqtt: bool = Field(
        default=True, description="publish what stands against each drive, and each event, at the broker"
    )
    look_s: float = Field(
        default=1.0, ge=0.05, le=60, description="seconds from one look for what is to go out to the next"
    )
    timeout_s: float = Field(
        default=10.0, ge=0.1, le=120, description="seconds within which an endpoint must have answered"
    )
    first_wait_s: float = Field(
        default=2.0, ge=0.01, le=3600, description="seconds to wait after a failure; doubled with each more"
    )
    longest_wait_s: float = Field(
        default=900.0, ge=0.01, le=86_400, description="the longest that such a wait becomes"
    )
    tls_ca_file: Path | None = Field(
        default=None, description="certificates to trust for webhooks besides the system's (PEM)"
    )

    @field_validator("tls_ca_file")
    @classmethod
    def _can_be_read(cls, path: Path | None) -> Path | None:
        if path is not None:
            _read(path)
        return path

    @model_validator(mode="after")
    def _grows(self) -> Self:
        if self.first_wait_s > self.longest_wait_s:
            raise ValueError(
                f"first_wait_s ({self.first_wait_s:g}) is over longest_wait_s ({self.longest_wait_s:g}): lower the first"
            )
        return self


class Log(_Section):
    """What goes to standard error."""

    level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="least severe level written"
    )
    form: Literal["text", "json"] = Field(
        default="text", description="text for people, or one JSON object a line"
    )


class Settings(BaseSettings):
    """All settings, checked and frozen."""

    model_config = {"frozen": True, "extra": "forbid", "hide_input_in_errors": True}

    broker: Broker = Field(default_factory=Broker)
    amqp: Amqp = Field(default_factory=Amqp)
    store: Store = Field(default_factory=Store)
    influx: Influx = Field(default_factory=Influx)
    web: Web = Field(default_factory=Web)
    retention: Retention = Field(default_factory=Retention)
    worker: Worker = Field(default_factory=Worker)
    handover: HandOver = Field(default_factory=HandOver)
    deliver: Deliver = Field(default_factory=Deliver)
    log: Log = Field(default_factory=Log)
    partition: dict[str, Partition] = Field(default_factory=dict)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Only what `read_settings` has merged: it knows where each value came from."""
        del settings_cls, env_settings, dotenv_settings, file_secret_settings
        return (init_settings,)

    @model_validator(mode="after")
    def _window_holds_a_commit(self) -> Self:
        if self.amqp.host and self.worker.flush_batches > self.amqp.prefetch:
            raise ValueError(
                f"worker.flush_batches ({self.worker.flush_batches}) is over amqp.prefetch ({self.amqp.prefetch}): lower the first"
            )
        if self.worker.flush_batches > self.broker.receive_maximum:
            raise ValueError(
                f"worker.flush_batches ({self.worker.flush_batches}) is over broker.receive_maximum "
                f"({self.broker.receive_maximum}): the broker stops sending before a commit is full; lower the first"
            )
        return self

    @model_validator(mode="after")
    def _partitions_fit_together(self) -> Self:
        for name in self.partition:
            if re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,31}", name) is None:
                raise ValueError(f"partition {name!r}: a name has up to 32 of a-z, 0-9, _ and -")
            host = self.broker_of(name).host
            if not (self.broker.allow_insecure or is_loopback(host)) and self.broker.lacks:
                raise ValueError(
                    f"partition.{name}.host {host} is another machine and {' and '.join(self.broker.lacks)}: set them, or "
                    "accept that with broker.allow_insecure = true"
                )
        if self.partition and self.broker.sparkplug_groups:
            raise ValueError(
                "broker.sparkplug_groups stands beside partitions: give each group to one of them "
                "(partition.NAME.sparkplug_groups)"
            )
        for one, other in combinations(self.partition, 2):
            if not self.amqp.host:
                self._are_apart(one, other)
        return self

    @model_validator(mode="after")
    def _queues_fit(self) -> Self:
        if not self.amqp.host:
            if self.broker.mqtt_version != "5":
                raise ValueError(
                    "broker.mqtt_version 3.1.1 is enough to publish, not to take batches safely: keep 5, or take them from "
                    "RabbitMQ's queues (amqp.host)"
                )
            for name in self.partition:
                if self.partition[name].queues:
                    raise ValueError(
                        f"partition.{name}.queues are of RabbitMQ: set amqp.host, or take them out"
                    )
            return self
        if "." in self.broker.root:
            raise ValueError(
                f"broker.root {self.broker.root} has a dot, which RabbitMQ takes for a slash: give levels without dots"
            )
        if self.broker.sparkplug_groups:
            raise ValueError(
                "broker.sparkplug_groups do not come through queues: leave out amqp.host, or them"
            )
        self._queues_are_taken()
        return self

    def _queues_are_taken(self) -> None:
        """Raise ValueError where partitions are not told by queues, or leave one to nobody."""
        taken: set[int] = set()
        for name, each in self.partition.items():
            if each.roots or each.drives or each.sparkplug_groups or each.host or each.port:
                raise ValueError(
                    f"partition.{name} has topics or a broker, but with amqp.host a partition has queues only"
                )
            if not each.queues or not all(1 <= number <= self.amqp.queues for number in each.queues):
                raise ValueError(
                    f"partition.{name}.queues {list(each.queues)}: give numbers from 1 to {self.amqp.queues}"
                )
            taken.update(each.queues)
        left = sorted(set(range(1, self.amqp.queues + 1)) - taken)
        if self.partition and left:
            raise ValueError(
                f"no partition takes from queue {', '.join(map(str, left))}, whose drives nobody would hear: name each in the "
                "queues of a partition"
            )

    def queues_of(self, name: str | None) -> tuple[int, ...]:
        """Return the numbers of the queues that the worker of a partition takes from. Raises KeyError as `broker_of`."""
        return tuple(range(1, self.amqp.queues + 1)) if name is None else self.partition[name].queues

    def _are_apart(self, one: str, other: str) -> None:
        """Raise ValueError where two partitions of one broker take the same, or are one client to it."""
        first, second = self.broker_of(one), self.broker_of(other)
        if (first.host, first.port) != (second.host, second.port):
            return
        if first.client_id == second.client_id:
            raise ValueError(
                f"partition.{one} and partition.{other} have the client id {first.client_id} at one broker, which would let "
                "only one of them be connected: give each its own client_id"
            )
        shown = core_partition.crossing(self.taken_by(one), self.taken_by(other))
        group = next(iter(set(first.sparkplug_groups) & set(second.sparkplug_groups)), "")
        if shown or group:
            raise ValueError(
                f"partition.{one} and partition.{other} both take {shown or f'the Sparkplug group {group}'}: "
                "give each drive to one of them, by roots or drives"
            )

    def broker_of(self, name: str | None) -> Broker:
        """Return the broker as the worker of a partition sees it: its own client id, and what else is its own.

        Raises KeyError where there is no such partition; None is the only worker.
        """
        if name is None:
            return self.broker
        own = self.partition[name]
        changes: Values = {
            "client_id": own.client_id or f"{self.broker.client_id}-{name}",
            "root": (own.roots or (self.broker.root,))[0],
            "sparkplug_groups": own.sparkplug_groups,
        }
        if own.host is not None:
            changes["host"] = own.host
        if own.port is not None:
            changes["port"] = own.port
        return self.broker.model_copy(update=changes)

    def taken_by(self, name: str | None) -> core_partition.Partition:
        """Return what the worker of a partition takes. Raises KeyError as `broker_of`."""
        if name is None:
            return core_partition.whole(self.broker.root)
        own = self.partition[name]
        return core_partition.Partition(
            roots=own.roots or (self.broker.root,), drives=frozenset(own.drives) or None
        )

    @property
    def warnings(self) -> list[str]:
        """What is allowed but should not stay so; to be logged at every start."""
        open_metrics = self.worker.metrics_port and not is_loopback(self.worker.metrics_host)
        told = [
            f"worker.metrics_host: {self.worker.metrics_host} is open to other machines, without login or encryption"
        ] * bool(open_metrics)
        if self.amqp.host and self.amqp.lacks and not is_loopback(self.amqp.host):
            lacks = " and ".join(self.amqp.lacks)
            told.append(f"amqp.allow_insecure: {self.amqp.host} is another machine and {lacks}")
        if self.store.lacks:
            told.append(f"store.allow_insecure: it is another machine and {' and '.join(self.store.lacks)}")
        if self.influx.lacks:
            told.append(f"influx.allow_insecure: it is another machine and {' and '.join(self.influx.lacks)}")
        if not self.broker.lacks:
            return told
        hosts = {self.broker_of(name).host for name in self.partition or [None]}
        return told + [
            f"broker.allow_insecure: {host} is another machine and {' and '.join(self.broker.lacks)}"
            for host in sorted(hosts)
            if not is_loopback(host)
        ]


def read_settings(
    config: Path | None = None, overrides: Mapping[str, Mapping[str, object]] | None = None
) -> Settings:
    """Return the settings of a file, the environment and the command line; the later wins.

    Args:
        config: the file; else the one that LINKLAG_CONFIG names; else ./linklag.toml, which may be missing.
        overrides: section -> key -> value, from the command line.

    Raises SettingsError.
    """
    file = _find(config)
    from_file = _file_values(file) if file else {}
    from_environ = _environ_values()
    try:
        return Settings(**_merge(from_file, from_environ, dict(overrides or {})))
    except ValidationError as error:
        where = _Sources(file, from_environ, overrides or {})
        raise SettingsError("\n".join(_sentence(dict(each), where) for each in error.errors())) from None


def is_loopback(host: str) -> bool:
    """Return whether a host name or address can only be this machine."""
    if host.lower() == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def env_name(key: str) -> str:
    """Return the environment variable of a key: broker.host -> LINKLAG_BROKER__HOST."""
    return PREFIX + key.upper().replace(".", "__")


def all_keys() -> list[str]:
    """Return every key of the settings that there is once, as `section.key`."""
    return [
        f"{section}.{key}"
        for section in Settings.model_fields
        if section != NAMED
        for key in _section(section).model_fields
    ]


def _first_line(
    secret: SecretStr | None, path: Path | None, section: str, name: str = "password"
) -> SecretStr | None:
    """Return the secret of a section: that of its file, or the one that stands there."""
    if path is None:
        return secret
    if secret is not None:
        raise ValueError(f"is given twice: keep either {section}.{name}_file or {section}.{name}")
    lines = _read(path).splitlines()
    if not lines or not lines[0]:
        raise ValueError(f"{section}.{name}_file {path} is empty: its first line must be the {name}")
    return SecretStr(lines[0])


def _root(root: str) -> str:
    if root.startswith("$share/"):
        raise ValueError(
            "is a shared subscription, which loses batches and mixes up their order when a worker is away: give each worker "
            "topics of its own ([partition.NAME])"
        )
    if root.startswith("$") or any(c in root for c in "+#\0") or not all(root.split("/")):
        raise ValueError("must be topic levels like plant7/linklag/v1: no + # $, no slash at either end")
    return root


def _groups(groups: tuple[str, ...]) -> tuple[str, ...]:
    for group in groups:
        if not group or group == "STATE" or any(c in group for c in "+#/\0"):
            raise ValueError(f"{group!r} is no Sparkplug group: give names without + # and /, and not STATE")
    return groups


def _zone(name: str) -> tzinfo:
    """Return a time zone; UTC also where the system has no time zone data."""
    return UTC if name == "UTC" else ZoneInfo(name)


def _section(name: str) -> type[BaseModel]:
    section = Partition if name == NAMED else Settings.model_fields[name].annotation
    assert isinstance(section, type)  # noqa: S101
    assert issubclass(section, BaseModel)  # noqa: S101
    return section


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise ValueError(f"{path} is no text file: a PEM or UTF-8 file is needed") from None
    except OSError as error:
        raise ValueError(
            f"{path} cannot be read ({error.strerror}): let the user that runs linklag read it, or correct the path"
        ) from None


def _find(config: Path | None) -> Path | None:
    named = os.environ.get(f"{PREFIX}CONFIG", "")
    if config is None and named:
        config = Path(named)
    if config is None:
        return Path(FILE_NAME) if Path(FILE_NAME).is_file() else None
    if not config.is_file():
        raise SettingsError(f"settings file {config} does not exist: correct --config or {PREFIX}CONFIG")
    return config


def _file_values(file: Path) -> Values:
    try:
        values = tomllib.loads(_read(file))
    except ValueError as error:  # of _read, or TOMLDecodeError, which names line and column
        raise SettingsError(f"settings file {file}: {error}") from None
    for section, keys in values.items():
        if section in Settings.model_fields and section != NAMED and isinstance(keys, dict):
            _anchor(keys, _section(section), file.absolute().parent)
    return values


def _anchor(keys: Values, section: type[BaseModel], folder: Path) -> None:
    """Make relative paths of a file relative to the file, wherever the command was started."""
    for key, field in section.model_fields.items():
        if field.annotation in {Path, Path | None} and isinstance(keys.get(key), str):
            keys[key] = folder / Path(keys[key]).expanduser()


def _environ_values() -> Values:
    environ = {name: value for name, value in os.environ.items() if name.startswith(PREFIX) and "__" in name}
    known = {env_name(section) for section in Settings.model_fields}
    for name in environ:  # LINKLAG_X without __ may be anybody's, e.g. a container platform's
        if name.split("__")[0] not in known:
            raise SettingsError(
                f"environment variable {name}: there is no section of that name; {_sections()}"
            )
    source = EnvSettingsSource(Settings, env_prefix=PREFIX, env_nested_delimiter="__", case_sensitive=False)
    source.env_vars = {name.lower(): value for name, value in environ.items()}
    try:
        return source()
    except SourceError as error:
        raise SettingsError(f"environment: {error}") from None


def _sections() -> str:
    return f"sections are {', '.join(Settings.model_fields)}"


def _merge(*layers: Mapping[str, Any]) -> Values:
    """Join tables key by key; the later wins."""
    merged: Values = {}
    for layer in layers:
        for key, value in layer.items():
            below = merged.get(key)
            if isinstance(below, Mapping) and isinstance(value, Mapping):
                merged[key] = _merge(below, value)
            else:
                merged[key] = value
    return merged


class _Sources:
    """Where each value came from, to be told to the person who must correct it."""

    def __init__(
        self, file: Path | None, environ: Values, overrides: Mapping[str, Mapping[str, object]]
    ) -> None:
        self._file, self._environ, self._overrides = file, environ, overrides

    def of(self, key: str) -> str:
        """Return the place of a key, in words."""
        section, _, name = key.rpartition(".")
        if section.startswith(f"{NAMED}."):
            table = section.removeprefix(f"{NAMED}.")
            if name in self._environ.get(NAMED, {}).get(table, {}):
                return f"environment variable {env_name(key)}"
        if name in self._overrides.get(section, {}):
            return "command line"
        if name in self._environ.get(section, {}):
            return f"environment variable {env_name(key)}"
        return str(self._file) if self._file else "settings"


def _sentence(error: Values, where: _Sources) -> str:
    """Return what is wrong with one key: where, which, what, and the fix. Never the value of a secret."""
    levels = 3 if error["loc"][:1] == (NAMED,) else 2
    key = ".".join(str(part) for part in error["loc"][:levels])
    if error["type"] == "extra_forbidden":
        return f"{where.of(key)}: unknown key {key}{_meant(key)}"
    what = str(error["msg"]).removeprefix("Value error, ").replace("Input should", "should", 1)
    secret = error["type"] == "value_error" or key in SECRETS or isinstance(error["input"], dict | list)
    given = "" if secret else f" = {error['input']!r}"
    return f"{where.of(key)}: {key}{given} {what}" if key else f"{where.of(key)}: {what}"


def _meant(key: str) -> str:
    section, _, name = key.rpartition(".")
    if section.partition(".")[0] == NAMED:
        near = difflib.get_close_matches(name, Partition.model_fields, n=1)
        close = [f"{section}.{each}" for each in near]
    elif name and section in Settings.model_fields:
        close = [
            f"{section}.{near}"
            for near in difflib.get_close_matches(name, _section(section).model_fields, n=2)
        ]
    else:
        close = difflib.get_close_matches(key, [*Settings.model_fields, *all_keys()], n=2)
    return (
        f": did you mean {close[0]}?"
        if close
        else f": remove it; {_sections()}, keys are in deploy/linklag.toml"
    )
