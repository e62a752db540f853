"""Passwords by argon2id: what every adapter of the port keeps to, and what this one makes."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.argon2_hashes import Argon2Hashes
from service.ports import PasswordHashes
from tests.fakes_people import FakePasswordHashes

QUICK = Argon2Hashes(memory_kib=64, rounds=1, lanes=1)
BOTH = pytest.mark.parametrize("hashes", [QUICK, FakePasswordHashes()], ids=["argon2", "fake"])


@BOTH
@settings(max_examples=20)
@given(password=st.text(max_size=300), other=st.text(max_size=300))
def test_a_hash_agrees_with_its_password_and_with_no_other(
    hashes: PasswordHashes, password: str, other: str
) -> None:
    made = hashes.hashed(f"a{password}")
    assert hashes.agrees(made, f"a{password}")
    assert not hashes.agrees(made, f"b{other}")


@BOTH
def test_the_same_password_has_another_hash_each_time(hashes: PasswordHashes) -> None:
    assert hashes.hashed("kette rollt") != hashes.hashed("kette rollt")
    assert not hashes.outdated(hashes.hashed("kette rollt"))


def test_the_hash_is_argon2id_of_the_usual_strength() -> None:
    made = Argon2Hashes().hashed("kette rollt langsam")
    assert made.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert Argon2Hashes().agrees(made, "kette rollt langsam")


def test_a_weaker_hash_still_agrees_and_is_outdated() -> None:
    weak = QUICK.hashed("kette rollt langsam")
    strong = Argon2Hashes(memory_kib=128, rounds=1, lanes=1)
    assert strong.agrees(weak, "kette rollt langsam")
    assert strong.outdated(weak)


def test_accents_agree_whatever_keyboard_made_them() -> None:
    assert QUICK.agrees(QUICK.hashed("Bru\u0308cken und Bolzen"), "Br\u00fccken und Bolzen")


def test_what_is_no_hash_agrees_with_nothing() -> None:
    assert not QUICK.agrees("", "x")
    assert not QUICK.agrees("$argon2id$v=19$m=65536,t=3,p=4$broken", "x")
