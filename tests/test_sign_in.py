"""The door for who comes in: against both stores, the fake and the real one."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from service.admit import Admit
from service.core.fields import FieldsRefusedError
from service.core.people import DAY_NS, Person, Role, Token
from service.ports import ConflictError, NotFoundError, StoreUnavailableError
from service.sign_in import (
    TOKEN_PREFIX,
    MustWaitError,
    NotSignedInError,
    SessionLength,
    SignIn,
    _address_key,
    hash_of,
)
from tests.contracts.given import NOON_NS, STORES, Ports, S, a_store, fake_ports
from tests.fakes_people import FakeFirstPassword, FakePasswordHashes

PASSWORD = "kette rollt langsam"
OTHER = "bolzen und buchsen im ofen"
FROM: dict[str, Any] = {"address": "10.0.0.7", "at_ns": NOON_NS}
ACT: dict[str, Any] = {"at_ns": NOON_NS, "by": "admin"}
LENGTH = SessionLength(whole_ns=1000 * S, idle_ns=100 * S)


@dataclass(frozen=True, slots=True)
class House:
    """Both doors on one store."""

    ports: Ports
    hashes: FakePasswordHashes
    first: FakeFirstPassword
    door: SignIn
    admit: Admit

    def person(self, name: str = "m.brandt", role: Role = Role.OPERATOR) -> Person:
        """Somebody who has chosen PASSWORD."""
        person = Person(name=name, role=role, password_hash=self.hashes.hashed(PASSWORD), added_ns=NOON_NS)
        self.ports.people.add(person)
        return person

    def wrong(self, name: str = "m.brandt", times: int = 1, **how: Any) -> None:
        for _ in range(times):
            with pytest.raises(NotSignedInError):
                self.door.sign_in(name, "not the password", **FROM | how)

    def audit(self) -> list[tuple[str, str, str]]:
        return [(entry.by, entry.what, entry.subject) for entry in self.ports.audit_log.entries()]


def house_on(ports: Ports) -> House:
    hashes, first = FakePasswordHashes(), FakeFirstPassword()
    return House(ports, hashes, first, SignIn(ports, hashes, first, LENGTH), Admit(ports, hashes, first))


@pytest.fixture(params=STORES)
def house(request: pytest.FixtureRequest) -> Iterator[House]:
    with a_store(request.param) as ports:
        yield house_on(ports)


# Coming in


def test_who_has_the_password_comes_in_and_is_known_by_the_secret(house: House) -> None:
    person = house.person()
    signed = house.door.sign_in(" M.Brandt ", PASSWORD, **FROM)
    assert signed.person == person
    assert house.door.by_session(signed.secret, NOON_NS) == (signed.session, person)
    assert len(signed.secret) >= 43  # 256 bits
    assert house.door.by_session(signed.secret[:-1], NOON_NS) is None


def test_two_browsers_have_two_secrets_and_each_is_left_by_itself(house: House) -> None:
    house.person()
    one, two = (house.door.sign_in("m.brandt", PASSWORD, **FROM).secret for _ in range(2))
    assert one != two
    house.door.sign_out(one)
    assert house.door.by_session(one, NOON_NS) is None
    assert house.door.by_session(two, NOON_NS) is not None


@pytest.mark.parametrize(
    ("name", "password", "locked"),
    [
        ("m.brandt", "wrong", False),
        ("nobody", PASSWORD, False),
        ("m.brandt", PASSWORD, True),
        ("m.brandt", "wrong", True),
        ("", "", False),
        ("m.brandt", PASSWORD * 200, False),
        ("NO NAME AT ALL \x00", PASSWORD, False),
    ],
)
def test_whatever_is_wrong_gets_the_same_answer_after_the_same_work(
    house: House,
    name: str,
    password: str,
    locked: bool,  # noqa: FBT001
) -> None:
    person = house.person()
    if locked:
        house.person("boss", Role.ADMINISTRATOR)
        house.ports.people.change(replace(person, locked_ns=NOON_NS))
    with pytest.raises(NotSignedInError) as caught:
        house.door.sign_in(name, password, **FROM)
    assert str(caught.value) == str(NotSignedInError())
    assert house.hashes.asked == 1
    assert "m.brandt" not in str(caught.value)


def test_a_session_ends_by_itself_and_sooner_when_nobody_uses_it(house: House) -> None:
    house.person()
    secret = house.door.sign_in("m.brandt", PASSWORD, **FROM).secret

    def known(at_s: int) -> bool:
        return house.door.by_session(secret, NOON_NS + at_s * S) is not None

    assert [known(at_s) for at_s in range(0, 1000, 90)] == [True] * 12
    assert not known(1000)
    idle = house.door.sign_in("m.brandt", PASSWORD, **FROM).secret
    assert house.door.by_session(idle, NOON_NS + 99 * S)
    assert house.door.by_session(idle, NOON_NS + 199 * S) is None


def test_use_is_written_down_no_more_than_once_a_minute(house: House) -> None:
    house.person()
    secret = house.door.sign_in("m.brandt", PASSWORD, **FROM).secret
    for at_s, seen_s in [(59, 0), (60, 60), (119, 60), (120, 120)]:
        house.door.by_session(secret, NOON_NS + at_s * S)
        found = house.ports.sessions.find(hash_of(secret))
        assert found is not None
        assert found[0].seen_ns == NOON_NS + seen_s * S


def test_a_hash_that_was_made_with_less_is_made_anew_at_the_next_sign_in(house: House) -> None:
    old = house.person()
    house.hashes.usual = "2"
    house.door.sign_in("m.brandt", PASSWORD, **FROM)
    new = house.ports.people.person("m.brandt")
    assert new is not None
    assert new.password_hash.startswith("2$")
    assert old.password_hash.startswith("1$")
    assert house.door.sign_in("m.brandt", PASSWORD, **FROM)


# Guessing


def test_a_guesser_waits_longer_and_longer_even_with_the_right_password(house: House) -> None:
    house.person()
    house.wrong(times=5)
    with pytest.raises(MustWaitError, match="wait 1 second and try again"):
        house.door.sign_in("m.brandt", PASSWORD, **FROM)
    later = FROM | {"at_ns": NOON_NS + S}
    house.wrong(**later)
    with pytest.raises(MustWaitError) as caught:
        house.door.sign_in("m.brandt", PASSWORD, **later)
    assert caught.value.wait_s == 2
    assert house.hashes.asked == 6  # who must wait costs no work
    assert house.door.sign_in("m.brandt", PASSWORD, **FROM | {"at_ns": NOON_NS + 3 * S})


def test_names_that_nobody_has_make_wait_just_so(house: House) -> None:
    """Otherwise the wait would tell which names there are."""
    house.person()
    told = []
    for name in ("m.brandt", "nobody"):
        house.wrong(name, times=5)
        with pytest.raises(MustWaitError) as caught:
            house.door.sign_in(name, "x", **FROM)
        told.append(str(caught.value))
    assert told[0] == told[1]


def test_who_guesses_many_names_from_one_address_waits_and_others_do_not(house: House) -> None:
    house.person()
    for n in range(20):
        house.wrong(f"name{n}")
    with pytest.raises(MustWaitError):
        house.door.sign_in("m.brandt", PASSWORD, **FROM)
    assert house.door.sign_in("m.brandt", PASSWORD, **FROM | {"address": "10.0.0.8"})


def test_signing_in_forgives_the_name_and_not_the_address(house: House) -> None:
    """A guesser with an account of their own must not wipe the slate with it."""
    house.person()
    for n in range(4):
        house.wrong(f"n{n}", times=4)
        house.wrong(times=1)
        if n < 3:
            house.door.sign_in("m.brandt", PASSWORD, **FROM)
    with pytest.raises(MustWaitError):
        house.door.sign_in("other", "x", **FROM)


def test_who_has_one_ipv6_address_has_all_of_its_network() -> None:
    assert _address_key("2001:db8::1") == _address_key("2001:db8::ffff")
    assert _address_key("2001:db8::1") != _address_key("2001:db8:0:1::1")
    assert _address_key("::ffff:10.0.0.7") == _address_key("10.0.0.7")
    assert _address_key("unknown") == "from unknown"


def test_a_guess_is_counted_before_it_is_looked_at() -> None:
    """So that many at the same time are counted too: the hash is asked while the count stands already."""
    ports = fake_ports()
    house = house_on(ports)
    house.person()
    seen: list[int] = []

    class Looks(FakePasswordHashes):
        def agrees(self, password_hash: str, password: str) -> bool:
            seen.append(len(vars(ports.guess_counts)["_counts"]))
            return super().agrees(password_hash, password)

    with pytest.raises(NotSignedInError):
        SignIn(ports, Looks(), house.first).sign_in("m.brandt", "x", **FROM)
    assert seen == [2]


def test_what_is_typed_as_a_name_comes_neither_to_the_log_nor_to_the_store(house: House) -> None:
    """People type passwords there."""
    house.person()
    with structlog.testing.capture_logs() as lines:
        house.wrong("sentinel-secret")
        house.wrong("m.brandt")
    assert "sentinel" not in repr(lines)
    assert [line["person"] for line in lines if line["event"] == "not signed in"] == [None, "m.brandt"]


# Passwords


def test_a_changed_password_counts_and_other_sessions_end(house: House) -> None:
    house.person()
    here, there = (house.door.sign_in("m.brandt", PASSWORD, **FROM).secret for _ in range(2))
    house.door.change_password("m.brandt", PASSWORD, OTHER, secret=here, **FROM)
    assert house.door.by_session(here, NOON_NS) is not None
    assert house.door.by_session(there, NOON_NS) is None
    house.wrong()
    assert house.door.sign_in("m.brandt", OTHER, **FROM)
    assert house.audit() == [("m.brandt", "password changed", "person m.brandt")]


@pytest.mark.parametrize(("new", "said"), [("short", "fewer than 12"), (PASSWORD, "the old one")])
def test_a_new_password_that_will_not_do_changes_nothing(house: House, new: str, said: str) -> None:
    person = house.person()
    with pytest.raises(FieldsRefusedError, match=said):
        house.door.change_password("m.brandt", PASSWORD, new, secret="x", **FROM)
    assert house.ports.people.person("m.brandt") == person


def test_the_old_password_is_asked_for_and_guessing_it_is_guessing(house: House) -> None:
    house.person()
    for _ in range(5):
        with pytest.raises(NotSignedInError):
            house.door.change_password("m.brandt", "wrong", OTHER, secret="x", **FROM)
    with pytest.raises(MustWaitError):
        house.door.change_password("m.brandt", PASSWORD, OTHER, secret="x", **FROM)


# The first administrator


def test_the_first_start_makes_one_administrator_whose_password_is_for_once(house: House) -> None:
    assert house.door.make_first_administrator(NOON_NS) == "a file of the test"
    password = house.first.published
    assert password is not None
    signed = house.door.sign_in("admin", password, **FROM)
    assert (signed.person.role, signed.person.must_change) == (Role.ADMINISTRATOR, True)
    house.door.change_password("admin", password, OTHER, secret=signed.secret, **FROM)
    assert house.first.published is None
    assert not house.door.sign_in("admin", OTHER, **FROM).person.must_change
    assert house.audit()[-1] == ("linklag", "person added", "person admin")


def test_a_later_start_makes_nobody(house: House) -> None:
    house.person()
    assert house.door.make_first_administrator(NOON_NS) is None
    assert [person.name for person in house.ports.people.people()] == ["m.brandt"]
    assert house.first.published is None


def test_of_two_processes_that_start_together_the_password_of_the_first_counts(house: House) -> None:
    other = house_on(house.ports)
    real = house.first.prepare

    def prepare(password: str) -> None:
        real(password)
        assert other.door.make_first_administrator(NOON_NS) is not None

    house.first.prepare = prepare  # type: ignore[method-assign]
    assert house.door.make_first_administrator(NOON_NS) is None
    assert house.first.published is None
    assert other.first.published is not None
    assert house.door.sign_in("admin", other.first.published, **FROM)


def test_where_the_password_cannot_be_written_down_nobody_is_made() -> None:
    house = house_on(fake_ports())

    def refuse(_password: str) -> None:
        raise OSError("read-only")

    house.first.prepare = refuse  # type: ignore[assignment,method-assign]
    with pytest.raises(OSError, match="read-only"):
        house.door.make_first_administrator(NOON_NS)
    assert house.ports.people.people() == []


# Programs


def test_a_program_with_a_token_is_known_until_it_expires_or_is_revoked(house: House) -> None:
    issued = house.admit.add_token("scada", Role.OPERATOR, only=["alerts", "alerts"], days=2, **ACT)
    assert issued.text.startswith(TOKEN_PREFIX)
    assert issued.token.only == ("alerts",)
    assert house.door.by_token(issued.text, NOON_NS) == issued.token
    assert house.door.by_token(issued.text, NOON_NS + 2 * DAY_NS) is None
    assert house.door.by_token(issued.text[:-1], NOON_NS) is None
    house.admit.revoke_token("scada", why="cabinet sold", **ACT)
    assert house.door.by_token(issued.text, NOON_NS) is None
    assert house.audit() == [
        ("admin", "token revoked", "token scada"),
        ("admin", "token added", "token scada"),
    ]


def test_the_last_use_of_a_token_is_known_to_the_minute(house: House) -> None:
    text = house.admit.add_token("scada", Role.VIEWER, days=2, **ACT).text
    for at_s, used_s in [(0, 0), (59, 0), (61, 61), (100, 61)]:
        house.door.by_token(text, NOON_NS + at_s * S)
        assert house.ports.tokens.tokens()[0].used_ns == NOON_NS + used_s * S


@pytest.mark.parametrize("kind", ["session", "token"])
def test_a_store_that_can_only_be_read_keeps_nobody_out_and_is_asked_to_write_once_a_minute(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = house_on(fake_ports())
    house.person()
    door = SignIn(house.ports, house.hashes, house.first)
    secret = door.sign_in("m.brandt", PASSWORD, **FROM).secret
    text = house.admit.add_token("scada", Role.VIEWER, days=2, **ACT).text
    of = house.ports.sessions if kind == "session" else house.ports.tokens
    name = "seen" if kind == "session" else "used"
    writes, tried, locked = getattr(of, name), [], [True]

    def note(key: str, at_ns: int) -> None:
        tried.append((at_ns - NOON_NS) // S)
        if locked[0]:
            raise StoreUnavailableError("it is busy")
        writes(key, at_ns)

    monkeypatch.setattr(of, name, note)

    def known(at_s: int) -> bool:
        at_ns = NOON_NS + at_s * S
        found = door.by_session(secret, at_ns) if kind == "session" else door.by_token(text, at_ns)
        return found is not None

    assert all(known(at_s) for at_s in (60, 61, 119, 120, 130))
    assert tried == [60, 120]
    locked[0] = False
    assert all(known(at_s) for at_s in (179, 180, 200, 239, 240))
    assert tried == [60, 120, 180, 240]


@given(st.text())
def test_no_other_text_is_a_token(text: str) -> None:
    house = house_on(fake_ports())
    house.admit.add_token("scada", Role.VIEWER, days=2, **ACT)
    assert house.door.by_token(text, NOON_NS) is None
    assert house.door.by_token(TOKEN_PREFIX + text, NOON_NS) is None


@pytest.mark.parametrize("days", [0, 3651])
def test_a_token_ends_some_day(house: House, days: int) -> None:
    with pytest.raises(FieldsRefusedError, match="days"):
        house.admit.add_token("scada", Role.VIEWER, days=days, **ACT)


# Letting in and keeping out


def test_an_added_person_signs_in_with_a_password_for_once(house: House) -> None:
    admitted = house.admit.add_person("j.weber", Role.ENGINEER, full_name="Jan Weber", **ACT)
    person = house.door.sign_in("j.weber", admitted.password, **FROM).person
    assert person == admitted.person
    assert (person.full_name, person.role, person.must_change) == ("Jan Weber", Role.ENGINEER, True)
    (entry,) = house.ports.audit_log.entries()
    assert entry.new["role"] == "engineer"
    assert not any("hash" in name for name in entry.new)


def test_a_locked_person_is_out_at_once_and_comes_back_when_unlocked(house: House) -> None:
    house.person("boss", Role.ADMINISTRATOR)
    house.person()
    secret = house.door.sign_in("m.brandt", PASSWORD, **FROM).secret
    house.admit.lock("m.brandt", why="left the plant", **ACT)
    assert house.door.by_session(secret, NOON_NS) is None
    with pytest.raises(NotSignedInError):
        house.door.sign_in("m.brandt", PASSWORD, **FROM)
    with pytest.raises(ConflictError, match="locked already"):
        house.admit.lock("m.brandt", **ACT)
    house.admit.unlock("m.brandt", **ACT)
    assert house.door.sign_in("m.brandt", PASSWORD, **FROM)
    entry = house.ports.audit_log.entries()[-1]
    assert (entry.why, dict(entry.old), dict(entry.new)) == (
        "left the plant", {"locked_ns": None}, {"locked_ns": NOON_NS}
    )  # fmt: skip


def test_unlocking_ends_the_wait_of_who_mistyped_and_is_written_down(house: House) -> None:
    house.person("boss", Role.ADMINISTRATOR)
    house.person()
    house.wrong(times=5)
    house.admit.unlock("m.brandt", **ACT)
    assert house.door.sign_in("m.brandt", PASSWORD, **FROM)
    assert house.audit() == [("admin", "wait ended", "person m.brandt")]


def test_a_new_role_counts_at_once_in_open_sessions(house: House) -> None:
    house.person("boss", Role.ADMINISTRATOR)
    house.person()
    secret = house.door.sign_in("m.brandt", PASSWORD, **FROM).secret
    house.admit.change_role("m.brandt", Role.VIEWER, **ACT)
    found = house.door.by_session(secret, NOON_NS)
    assert found is not None
    assert found[1].role is Role.VIEWER
    with pytest.raises(ConflictError, match="viewer already"):
        house.admit.change_role("m.brandt", Role.VIEWER, **ACT)
    (entry,) = house.ports.audit_log.entries()
    assert (dict(entry.old), dict(entry.new)) == ({"role": "operator"}, {"role": "viewer"})


def test_a_reset_gives_a_password_for_once_and_ends_sessions_and_wait(house: House) -> None:
    house.person("boss", Role.ADMINISTRATOR)
    house.person()
    secret = house.door.sign_in("m.brandt", PASSWORD, **FROM).secret
    house.wrong(times=5)
    admitted = house.admit.reset("m.brandt", **ACT)
    assert house.door.by_session(secret, NOON_NS) is None
    house.wrong()
    assert house.door.sign_in("m.brandt", admitted.password, **FROM).person.must_change


def test_the_last_administrator_stays_one(house: House) -> None:
    house.person("boss", Role.ADMINISTRATOR)
    with pytest.raises(ConflictError, match="last administrator"):
        house.admit.lock("boss", **ACT)
    with pytest.raises(ConflictError, match="last administrator"):
        house.admit.change_role("boss", Role.VIEWER, **ACT)


def test_who_is_not_there_is_named(house: House) -> None:
    for ask in (house.admit.lock, house.admit.unlock, house.admit.reset):
        with pytest.raises(NotFoundError, match="'nobody'"):
            ask("nobody", **ACT)
    with pytest.raises(NotFoundError, match="'none'"):
        house.admit.revoke_token("none", **ACT)


def test_a_store_that_is_down_lets_nobody_in() -> None:
    house = house_on(fake_ports())
    house.person()
    house.ports.guess_counts.down = "disk full"  # type: ignore[attr-defined]
    with pytest.raises(StoreUnavailableError, match="disk full"):
        house.door.sign_in("m.brandt", PASSWORD, **FROM)


def test_no_secret_is_in_what_the_doors_give_to_be_stored(house: House) -> None:
    issued = house.admit.add_token("scada", Role.VIEWER, days=2, **ACT)
    admitted = house.admit.add_person("j.weber", Role.ENGINEER, **ACT)
    signed = house.door.sign_in("j.weber", admitted.password, **FROM)
    stored = repr((house.ports.people.people(), house.ports.tokens.tokens(), house.ports.audit_log.entries(),
                   house.ports.sessions.find(hash_of(signed.secret))))  # fmt: skip
    for secret in (issued.text, admitted.password, signed.secret):
        assert secret not in stored
    assert isinstance(issued.token, Token)
