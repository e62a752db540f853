"""What an import shows: each line of a file with what would become of it, and all that is wrong, in the words of the file.

Joins what `register_files` could read and what the door `import_drives` would do; decides nothing itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.adapters.register_files import (
    COLUMNS,
    FileRead,
    Problem,
    RegisterFileError,
    read_csv_rows,
    rfc3339,
)
from service.core.drive import Baseline, Chain, Drive
from service.import_drives import Fate, ImportPlan, Kind, PlannedLine, WantedLine

# Of a file: with base64 it must fit into one field of a form (1 MiB by its parser), in which the page carries it until it is
# confirmed. 2 000 drives with chain and baseline are some 400 kB.
BYTES_MAX = 700_000
BODY_BYTES_MAX = 1_200_000  # of a request that brings one
PATHS = ("/import", "/import/confirm", "/api/v1/drives/import")

_COLUMN_OF = {(column.of, column.field): column.name for column in COLUMNS.values()}


@dataclass(frozen=True, slots=True)
class ShownChange:
    """One setting of a drive: its column, as it is, and as it would be; "" where it is empty."""

    column: str
    old: str
    new: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownLine:
    """One line of the file. drive_id "": it could not be read. chain, baseline: what would be stored of them."""

    line: int
    drive_id: str
    fate: Fate
    changes: Sequence[ShownChange] = ()
    drive: Drive | None = None
    chain: Chain | None = None
    baseline: Baseline | None = None
    problems: Sequence[Problem] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What would become of a file. of_file: what is wrong with it as a whole; then there are no lines."""

    lines: Sequence[ShownLine] = ()
    of_file: Sequence[Problem] = ()
    key: str = ""

    def of(self, *fates: Fate) -> list[ShownLine]:
        """Return the lines of some fates, in the order of the file."""
        return [each for each in self.lines if each.fate in fates]

    @property
    def refused(self) -> list[ShownLine]:
        """The lines that cannot be taken."""
        return self.of(Fate.REFUSED)

    @property
    def may_be_stored(self) -> bool:
        """Whether nothing is wrong and there is something to store."""
        return not self.of_file and not self.refused and bool(self.of(Fate.ADDED, Fate.CHANGED))


def read_file(content: bytes) -> FileRead:
    """Return what a file says. Raises RegisterFileError where it cannot be taken as a whole."""
    if len(content) > BYTES_MAX:
        text = f"it has {len(content)} bytes, and {BYTES_MAX} are taken at once; divide it, or use linklag drive import"
        raise RegisterFileError([Problem(None, "", text)])
    return read_csv_rows(content)


def wanted_of(read: FileRead) -> list[WantedLine]:
    """Return what the readable lines of a file ask for."""
    return [
        WantedLine(
            line=row.line or 0,
            registration=row.registration,
            drive_fields=row.given_of(Drive),
            chain_fields=row.given_of(Chain),
            names_chain="chain_id" in row.filled,
        )
        for row in read.rows
    ]


def look_of(read: FileRead, plan: ImportPlan) -> Look:
    """Return each line with what would become of it, in the order of the file."""
    unread: dict[int, list[Problem]] = {}
    for problem in read.problems:
        unread.setdefault(problem.line or 0, []).append(problem)
    lines = [_shown(each) for each in plan.lines]
    lines += [
        ShownLine(line=line, drive_id="", fate=Fate.REFUSED, problems=tuple(problems))
        for line, problems in unread.items()
    ]
    return Look(lines=sorted(lines, key=lambda each: each.line), key=plan.key)


def _shown(line: PlannedLine) -> ShownLine:
    return ShownLine(
        line=line.line,
        drive_id=line.drive.drive_id,
        fate=line.fate,
        changes=tuple(
            ShownChange(
                column_of(Drive, each.name), text_of(each.name, each.old), text_of(each.name, each.new)
            )
            for each in line.changes
        ),
        drive=line.drive if line.fate is Fate.ADDED else None,
        chain=line.chain,
        baseline=line.baseline,
        problems=tuple(
            Problem(line.line, column_of(each.of, each.field), each.text) for each in line.refusals
        ),
    )


def column_of(of: Kind, field: str) -> str:
    """Return the column of the file that holds a field; the field itself where none does."""
    return _COLUMN_OF.get((of, field), field)


def text_of(field: str, value: object) -> str:
    """Return a value as the file writes it; "" where it is empty."""
    if value is None:
        return ""
    if field.endswith("_ns") and isinstance(value, int):
        return rfc3339(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
