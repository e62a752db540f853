"""An app with logins, its people, and a client for each."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from fastapi import FastAPI

from service.adapters.web.access import Logins
from service.adapters.web.app import create_app
from service.adapters.web.caller import FORM_HEADER, Caller
from service.adapters.web.parts import WebSettings
from service.admit import Admit
from service.core.people import Person, Role, Session
from service.sign_in import SessionLength, SignIn, hash_of
from tests.adapters.web.client import Client
from tests.adapters.web.plant import NOW_NS
from tests.contracts.given import FAKE, Ports, S, a_store
from tests.fakes_people import FakeFirstPassword, FakePasswordHashes

PASSWORD = "kette rollt langsam"
OTHER = "bolzen und buchsen im ofen"
HTTP, HTTPS = "http://127.0.0.1:8390", "https://127.0.0.1:8390"
NAMES = {Role.VIEWER: "v.viewer", Role.OPERATOR: "o.operator", Role.ENGINEER: "e.engineer",
         Role.ADMINISTRATOR: "admin"}  # fmt: skip


@dataclass(slots=True)
class PeoplePlant:
    """An app behind logins. `now_ns` may be set."""

    ports: Ports
    base_url: str = HTTPS
    https_only: bool = False
    now_ns: int = NOW_NS
    hashes: FakePasswordHashes = field(default_factory=FakePasswordHashes)
    first: FakeFirstPassword = field(default_factory=FakeFirstPassword)
    app: FastAPI = field(init=False)
    admit: Admit = field(init=False)
    client: Client = field(init=False)

    def __post_init__(self) -> None:
        length = SessionLength(whole_ns=1000 * S, idle_ns=400 * S)
        self.admit = Admit(self.ports, self.hashes, self.first)
        door = SignIn(self.ports, self.hashes, self.first, length)
        logins = Logins(sign_in=door, admit=self.admit, https_only=self.https_only)
        self.app = create_app(
            self.ports, settings=WebSettings(stream_period_s=0.05), logins=logins, now_ns=lambda: self.now_ns
        )
        self.client = self.new_client()

    def new_client(self) -> Client:
        return Client(self.app, base_url=self.base_url, raise_server_exceptions=False, follow_redirects=False)

    def add(self, role: Role, **more: Any) -> Person:
        """Somebody of that role, who has PASSWORD."""
        values = {"name": NAMES[role], "role": role, "password_hash": self.hashes.hashed(PASSWORD)}
        person = Person(**{**values, "added_ns": NOW_NS, **more})
        self.ports.people.add(person)
        return person

    def session(self, name: str, secret: str = "") -> dict[str, str]:
        """The headers of somebody who is signed in, their form's token among them."""
        secret = secret or f"secret-of-{name}"
        self.ports.sessions.close(hash_of(secret))
        self.ports.sessions.open(
            Session(
                secret_hash=hash_of(secret),
                name=name,
                opened_ns=self.now_ns,
                seen_ns=self.now_ns,
                ends_ns=self.now_ns + 1000 * S,
            )
        )
        cookie = "__Host-linklag" if self.base_url.startswith("https") else "linklag"
        token = Caller(name=name, role=Role.VIEWER, secret=secret).form_token
        return {"Cookie": f"{cookie}={secret}", FORM_HEADER: token}

    def token(self, role: Role = Role.VIEWER, *only: str, name: str = "scada") -> dict[str, str]:
        """The header of a program."""
        text = self.admit.add_token(name, role, only=only, days=1, at_ns=NOW_NS, by="admin").text
        return {"Authorization": f"Bearer {text}"}

    def sign_in(self, name: str = "o.operator", password: str = PASSWORD, **more: Any) -> Any:
        """The answer to the form of the sign-in page."""
        fields = {"name": name, "password": password, "next": "", **more}
        return self.client.post("/sign-in", data=fields, headers=from_page(self.base_url))


def from_page(origin: str = HTTPS) -> dict[str, str]:
    """What a browser sends with a form of our own page."""
    return {"Accept": "text/html", "Origin": origin, "Sec-Fetch-Site": "same-origin"}


@contextmanager
def a_people_plant(kind: str = FAKE, **how: Any) -> Iterator[PeoplePlant]:
    """An app with logins and nobody in it."""
    with a_store(kind) as ports:
        yield PeoplePlant(ports, **how)


@contextmanager
def a_peopled_plant(kind: str = FAKE, **how: Any) -> Iterator[PeoplePlant]:
    """An app with one person of each role."""
    with a_people_plant(kind, **how) as plant:
        for role in Role:
            plant.add(role)
        yield plant
