"""How people and programs come in, put together from the settings; and the administrator whom the first start makes."""

import time

import structlog

from service.adapters.argon2_hashes import Argon2Hashes
from service.adapters.database.connect import Database
from service.adapters.first_password_file import FirstPasswordFile
from service.admit import Admit
from service.commands import CommandError
from service.core.people import SECOND_NS
from service.settings import Settings
from service.sign_in import SessionLength, SignIn

log = structlog.get_logger()


def admit_of(settings: Settings, database: Database) -> Admit:
    """Return the door by which people and programs are let in."""
    return Admit(database, Argon2Hashes(), FirstPasswordFile(settings.store.file.parent))


def sign_in_of(settings: Settings, database: Database) -> SignIn:
    """Return the door by which people come in, with an administrator behind it: made now where there is nobody yet.

    Raises CommandError where the administrator's password cannot be written down.
    """
    file = FirstPasswordFile(settings.store.file.parent)
    length = SessionLength(
        whole_ns=settings.web.session_hours * 3600 * SECOND_NS,
        idle_ns=settings.web.session_idle_minutes * 60 * SECOND_NS,
    )
    door = SignIn(database, Argon2Hashes(), file, length)
    try:
        where = door.make_first_administrator(time.time_ns())
    except OSError as error:
        raise CommandError(
            f"the password of the first administrator cannot be written to {file.where} ({error.strerror}): let this user "
            "write to the store's folder"
        ) from None
    if where is not None:
        log.warning(
            "first administrator made: sign in as admin with the password in the file, which is good for once",
            file=where,
        )
    return door
