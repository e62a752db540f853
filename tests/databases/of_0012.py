"""What the kept file of schema 0012 holds besides: a measurement by hand that a phone kept and sent later."""

from dataclasses import replace

from service.adapters.database.connect import Database
from tests.contracts.given import A_HAND_VALUE, S

KEPT_ON_A_PHONE = replace(
    A_HAND_VALUE,
    measured_ns=A_HAND_VALUE.measured_ns + 60 * S,
    told_ns=A_HAND_VALUE.measured_ns - 7200 * S,
    key="0d9f4c1e-7a53-4f0e-9b8e-3b1f2a6c5d70",
)


def fill(database: Database) -> None:
    """Store it."""
    database.hand_values.record(KEPT_ON_A_PHONE)


def assert_all(database: Database) -> None:
    """It is shown as it was stored, and found by its key."""
    assert database.hand_values.of("press-3") == [A_HAND_VALUE, KEPT_ON_A_PHONE]
    assert database.hand_values.by_key("press-3", str(KEPT_ON_A_PHONE.key)) == KEPT_ON_A_PHONE
