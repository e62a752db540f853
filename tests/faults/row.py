"""One row of the table of faults: what was broken, and what the store and the receiver held against what was sent."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A fault that was made for real, and what was counted after it."""

    name: str  # of the fault, in words
    sent: int  # batches whose delivery the broker had acknowledged to the device, or that were handed to the source
    stored: int  # of those, counted in the store
    twice: int  # stored more than once
    allowed_loss: int = 0  # so many may be lost
    why: str = ""  # may be lost
    alerts_due: int = 0  # transitions of alerts recorded
    alerts_delivered: int = 0  # of those, that a receiver got at least once
    note: str = ""  # what the row saw beside, in a few words
    seconds: float = 0.0

    @property
    def lost(self) -> int:
        """Sent and not stored."""
        return self.sent - self.stored

    @property
    def holds(self) -> bool:
        """Whether nothing was lost beyond what is allowed, nothing twice, and all alerts arrived."""
        return (
            self.sent > 0
            and 0 <= self.lost <= self.allowed_loss
            and self.twice == 0
            and self.alerts_delivered >= self.alerts_due
        )


# A module of tests/faults gives its rows by `rows()`: the name of each, and what makes the fault and counts after it.
Named = tuple[str, Callable[[], Row]]

_HEAD = (
    "fault",
    "sent",
    "stored",
    "twice",
    "lost",
    "may be lost, and why",
    "alerts arrived",
    "s",
    "note",
    "holds",
)


def as_table(rows: list[Row]) -> str:
    """Return the rows as a table in Markdown."""
    lines = [_line(_HEAD), _line(["---"] * len(_HEAD))]
    return "\n".join(lines + [_line(_cells(row)) for row in rows])


def _cells(row: Row) -> tuple[str, ...]:
    alerts = f"{row.alerts_delivered} of {row.alerts_due}" if row.alerts_due else ""
    allowed = f"{row.allowed_loss}: {row.why}" if row.allowed_loss else "0"
    counts = (row.sent, row.stored, row.twice, row.lost)
    told = (allowed, alerts, f"{row.seconds:.0f}", row.note, "yes" if row.holds else "NO")
    return (row.name, *(f"{count:,}".replace(",", " ") for count in counts), *told)


def _line(cells: tuple[str, ...] | list[str]) -> str:
    return "| " + " | ".join(cells) + " |"
