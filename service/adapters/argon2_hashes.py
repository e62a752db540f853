"""The port `PasswordHashes` by argon2id.

Knows argon2-cffi and what a hash may cost; must not know whose password it is. Hashing takes tens of megabytes and a good part
of a second of one core, on purpose: call it in a thread, and not many at once.

Source: RFC 9106, section 4, second recommended option: t = 3, p = 4, 64 MiB (from memory).
"""

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

from service.core.people import normalised


class Argon2Hashes:
    """Hashes of passwords by argon2id. `memory_kib` and `rounds`: tests take less."""

    def __init__(self, *, memory_kib: int = 64 * 1024, rounds: int = 3, lanes: int = 4) -> None:
        self._hasher = PasswordHasher(
            time_cost=rounds,
            memory_cost=memory_kib,
            parallelism=lanes,
            hash_len=32,
            salt_len=16,
            type=Type.ID,
        )

    def hashed(self, password: str) -> str:
        """A hash, with its salt and what it was made with."""
        return self._hasher.hash(normalised(password))

    def agrees(self, password_hash: str, password: str) -> bool:
        """Whether the hash is of that password; one that cannot be read is of none."""
        try:
            return self._hasher.verify(password_hash, normalised(password))
        except (VerificationError, InvalidHashError):
            return False

    def outdated(self, password_hash: str) -> bool:
        """Whether it was made with less than is usual now."""
        return self._hasher.check_needs_rehash(password_hash)
