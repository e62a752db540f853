"""In-memory stand-ins for people, sessions, tokens and the audit log, as tests/fakes.py has the others."""

from dataclasses import replace

from service.core.audit import AuditEntry
from service.ports import StoreUnavailableError


class FakeAuditLog:
    """What people changed, in a list."""

    def __init__(self) -> None:
        self.down: str | None = None
        self._entries: list[AuditEntry] = []

    def record(self, entry: AuditEntry | None) -> None:
        if self.down is not None:
            raise StoreUnavailableError(self.down)
        if entry is not None:
            self._entries.append(replace(entry, number=len(self._entries) + 1))

    def entries(
        self,
        *,
        before: int | None = None,
        subject: str | None = None,
        by: str | None = None,
        rows_max: int = 100,
    ) -> list[AuditEntry]:
        if self.down is not None:
            raise StoreUnavailableError(self.down)
        found = [
            entry
            for entry in reversed(self._entries)
            if (before is None or entry.number < before)
            and subject in {None, entry.subject}
            and by in {None, entry.by}
        ]
        return found[:rows_max]
