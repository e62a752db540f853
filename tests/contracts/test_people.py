"""What every adapter of the ports `People`, `Sessions`, `Tokens` and `GuessCounts` keeps to."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from service.core.audit import AuditEntry
from service.core.people import FOR_A_NAME, FOR_AN_ADDRESS, Person, Role, Session, Token
from service.ports import ConflictError, NotFoundError
from tests.contracts.given import ALL_STORES, DAY_NS, NOON_NS, Few, Ports, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)

ENTRY = AuditEntry(at_ns=NOON_NS, by="admin", what="person changed", subject="person m.brandt")
BOSS = Person(name="admin", role=Role.ADMINISTRATOR, password_hash="hash 1", added_ns=NOON_NS)
BRANDT = Person(
    name="m.brandt",
    full_name="Mara Brandt",
    role=Role.OPERATOR,
    password_hash="hash 2",
    must_change=True,
    added_ns=NOON_NS + S,
    locked_ns=NOON_NS + 2 * S,
)
SESSION = Session(
    secret_hash="ab12", name="admin", opened_ns=NOON_NS, seen_ns=NOON_NS, ends_ns=NOON_NS + DAY_NS
)
TOKEN = Token(
    name="scada",
    role=Role.VIEWER,
    only=("alerts", "readings"),
    secret_hash="cd34",
    added_ns=NOON_NS,
    added_by="admin",
    expires_ns=NOON_NS + DAY_NS,
)


@pytest.fixture
def ports(kind: str) -> Iterator[Ports]:
    with a_store(kind, Few(guesses=3)) as store:
        yield store


# People


def test_a_person_comes_back_with_every_field_and_all_come_by_name(ports: Ports) -> None:
    ports.people.add(BRANDT)
    ports.people.add(BOSS)
    assert ports.people.people() == [BOSS, BRANDT]
    assert ports.people.person("m.brandt") == BRANDT
    assert ports.people.person("nobody") is None


def test_a_name_is_given_once(ports: Ports) -> None:
    ports.people.add(BOSS)
    with pytest.raises(ConflictError, match=r"'admin' already.*another name"):
        ports.people.add(replace(BOSS, full_name="Other"), entry=ENTRY)
    assert ports.people.people() == [BOSS]
    assert ports.audit_log.entries() == []


def test_only_the_first_of_all_is_added_as_the_first(ports: Ports) -> None:
    assert ports.people.add_first(BOSS, entry=ENTRY)
    assert not ports.people.add_first(replace(BOSS, name="other"), entry=ENTRY)
    assert ports.people.people() == [BOSS]
    assert len(ports.audit_log.entries()) == 1


def test_a_change_is_stored_with_its_entry_and_none_leaves_none(ports: Ports) -> None:
    ports.people.add(BOSS)
    ports.people.add(BRANDT)
    changed = replace(BRANDT, role=Role.ENGINEER, locked_ns=None)
    for _ in range(2):
        ports.people.change(changed, entry=ENTRY)
    assert ports.people.person("m.brandt") == changed
    assert ports.audit_log.entries() == [replace(ENTRY, number=1)]


def test_who_is_not_there_cannot_be_changed(ports: Ports) -> None:
    with pytest.raises(NotFoundError, match="'admin'"):
        ports.people.change(BOSS, entry=ENTRY)
    assert ports.audit_log.entries() == []


@pytest.mark.parametrize(
    "last", [replace(BOSS, role=Role.ENGINEER), replace(BOSS, locked_ns=NOON_NS)], ids=["demoted", "locked"]
)
def test_the_last_administrator_who_can_sign_in_stays_one(ports: Ports, last: Person) -> None:
    ports.people.add(BOSS)
    ports.people.add(replace(BOSS, name="second", locked_ns=NOON_NS))
    with pytest.raises(ConflictError, match="last administrator"):
        ports.people.change(last, entry=ENTRY)
    assert ports.people.person("admin") == BOSS
    assert ports.audit_log.entries() == []
    ports.people.change(replace(BOSS, name="second"))
    ports.people.change(last)
    assert ports.people.person("admin") == last


# Sessions


def test_a_session_is_found_by_its_hash_with_whose_it_is(ports: Ports) -> None:
    ports.people.add(BOSS)
    ports.sessions.open(SESSION)
    assert ports.sessions.find("ab12") == (SESSION, BOSS)
    assert ports.sessions.find("ab13") is None
    ports.people.change(replace(BOSS, full_name="Now"))
    assert ports.sessions.find("ab12") == (SESSION, replace(BOSS, full_name="Now"))


def test_use_is_remembered(ports: Ports) -> None:
    ports.people.add(BOSS)
    ports.sessions.open(SESSION)
    ports.sessions.seen("ab12", NOON_NS + S)
    assert ports.sessions.find("ab12") == (replace(SESSION, seen_ns=NOON_NS + S), BOSS)


def test_sessions_are_closed_one_by_one_and_all_but_one_of_a_person(ports: Ports) -> None:
    ports.people.add(BOSS)
    ports.people.add(BRANDT)
    for secret_hash, name in [("1", "admin"), ("2", "admin"), ("3", "admin"), ("4", "m.brandt")]:
        ports.sessions.open(replace(SESSION, secret_hash=secret_hash, name=name))
    ports.sessions.close("1")
    ports.sessions.close("unknown")
    assert [ports.sessions.find(one) is not None for one in "1234"] == [False, True, True, True]
    ports.sessions.close_all("admin", but="2")
    assert [ports.sessions.find(one) is not None for one in "1234"] == [False, True, False, True]
    ports.sessions.close_all("admin")
    assert [ports.sessions.find(one) is not None for one in "1234"] == [False, False, False, True]


def test_sessions_that_ended_are_forgotten_when_another_opens(ports: Ports) -> None:
    ports.people.add(BOSS)
    ports.sessions.open(SESSION)
    later = replace(SESSION, secret_hash="x", opened_ns=SESSION.ends_ns, ends_ns=SESSION.ends_ns + S)
    ports.sessions.open(later)
    assert ports.sessions.find("ab12") is None
    assert ports.sessions.find("x") == (later, BOSS)


# Tokens


def test_a_token_comes_back_with_every_field_by_name_and_by_hash(ports: Ports) -> None:
    bare = replace(TOKEN, name="a", only=(), secret_hash="x", used_ns=1, revoked_ns=2)
    ports.tokens.add(TOKEN)
    ports.tokens.add(bare)
    assert ports.tokens.tokens() == [bare, TOKEN]
    assert ports.tokens.find("cd34") == TOKEN
    assert ports.tokens.find("scada") is None


def test_a_token_name_is_given_once_even_when_revoked(ports: Ports) -> None:
    ports.tokens.add(TOKEN)
    ports.tokens.revoke("scada", NOON_NS)
    with pytest.raises(ConflictError, match="another name"):
        ports.tokens.add(replace(TOKEN, secret_hash="new"), entry=ENTRY)
    assert ports.audit_log.entries() == []


def test_a_token_is_revoked_once(ports: Ports) -> None:
    ports.tokens.add(TOKEN)
    ports.tokens.revoke("scada", NOON_NS + S, entry=ENTRY)
    with pytest.raises(ConflictError, match="revoked already"):
        ports.tokens.revoke("scada", NOON_NS + 2 * S, entry=ENTRY)
    assert ports.tokens.find("cd34") == replace(TOKEN, revoked_ns=NOON_NS + S)
    with pytest.raises(NotFoundError, match="'other'"):
        ports.tokens.revoke("other", NOON_NS)
    assert len(ports.audit_log.entries()) == 1


def test_the_use_of_a_token_is_remembered(ports: Ports) -> None:
    ports.tokens.add(TOKEN)
    ports.tokens.used("scada", NOON_NS + S)
    assert ports.tokens.find("cd34") == replace(TOKEN, used_ns=NOON_NS + S)


@pytest.mark.parametrize(
    "add",
    [
        lambda p: p.people.add(BOSS, entry=ENTRY),
        lambda p: p.tokens.add(TOKEN, entry=ENTRY),
    ],
    ids=["person", "token"],
)
def test_what_is_added_is_stored_with_its_entry(ports: Ports, add: Callable[[Ports], None]) -> None:
    add(ports)
    assert ports.audit_log.entries() == [replace(ENTRY, number=1)]


# Guesses


def test_guesses_are_free_then_wait_and_one_that_must_wait_is_not_counted(ports: Ports) -> None:
    name = {"name admin": FOR_A_NAME}
    begin = ports.guess_counts.begin
    assert [begin(name, NOON_NS) for _ in range(7)] == [0, 0, 0, 0, 0, S, S]
    assert begin(name, NOON_NS + S) == 0
    assert begin(name, NOON_NS + S) == 2 * S


def test_the_longest_wait_of_several_keys_counts_and_then_none_is_counted(ports: Ports) -> None:
    both = {"name admin": FOR_A_NAME, "from 10.0.0.1": FOR_AN_ADDRESS}
    begin = ports.guess_counts.begin
    for _ in range(5):
        begin({"name admin": FOR_A_NAME}, NOON_NS)
    assert begin(both, NOON_NS) == S
    free = [begin({"from 10.0.0.1": FOR_AN_ADDRESS}, NOON_NS) for _ in range(21)]
    assert free == [0] * 20 + [S]


def test_a_right_guess_is_taken_back_or_all_are_forgotten(ports: Ports) -> None:
    name = {"name admin": FOR_A_NAME}
    for _ in range(5):
        ports.guess_counts.begin(name, NOON_NS)
    ports.guess_counts.take_back("name admin")
    assert ports.guess_counts.begin(name, NOON_NS) == 0
    assert ports.guess_counts.begin(name, NOON_NS) == S
    ports.guess_counts.forget("name admin")
    assert [ports.guess_counts.begin(name, NOON_NS) for _ in range(6)] == [0] * 5 + [S]
    ports.guess_counts.take_back("unknown")
    ports.guess_counts.forget("unknown")


def test_made_up_names_do_not_fill_the_store(ports: Ports) -> None:
    """Three are kept here: those not heard of for longest go first."""
    begin = ports.guess_counts.begin
    for _ in range(5):
        begin({"old": FOR_A_NAME}, NOON_NS)
    for n in range(3):
        begin({f"n{n}": FOR_A_NAME}, NOON_NS + (n + 1) * 100_000)
    assert begin({"old": FOR_A_NAME}, NOON_NS + S // 2) == 0
