"""Door: a person brings in many drives at once: looks at what would change, and then has just that done, all of it or nothing.

Knows the register and core; must not know how a file is written (`register_files`) nor how the person came in. A line says
something of a drive, of the chain on it and of a baseline. What it does not speak of stays as it is, and history is never
overwritten: a chain that is registered with other facts is refused, and so is one that would be on beside another.

What was looked at has a key: the version of the register it was worked out from, and a hash of all that would be stored. Nothing
is stored under another key, so that nobody confirms what they have not seen. `at_ns` is now, read once by the caller; `by` is who
acted.
"""

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from typing import Any

import structlog

from service.core.audit import entry_of
from service.core.drive import Baseline, Chain, Drive, Registration
from service.core.fields import FieldsRefusedError
from service.operate import baseline_entry, chain_entry, drive_entry, overlap, refuse_ahead
from service.ports import ConflictError, Refused, Register, RegisterChange

log = structlog.get_logger(__name__)

Kind = type[Drive | Chain | Baseline]
KEY_HASH_CHARS = 40


class Fate(StrEnum):
    """What becomes of a line."""

    ADDED = "added"
    CHANGED = "changed"
    LEFT_ALONE = "left_alone"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedLine:
    """What one line asks for. drive_fields, chain_fields: what it speaks of; all else stays as it is."""

    line: int
    registration: Registration
    drive_fields: Collection[str]
    chain_fields: Collection[str]
    names_chain: bool  # whether it gives the chain's id itself


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One setting of a drive, as it is and as it would be."""

    name: str
    old: Any
    new: Any


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a line cannot be taken: the field of which class, and what would mend it. field "": the whole line."""

    of: Kind
    field: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLine:
    """What becomes of one line. chain, baseline: what would be stored of them; None: nothing."""

    line: int
    drive: Drive
    fate: Fate
    changes: Sequence[FieldChange] = ()
    chain: Chain | None = None
    baseline: Baseline | None = None
    refusals: Sequence[Refusal] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportPlan:
    """What would become of all lines, and the key under which just that is done."""

    lines: Sequence[PlannedLine]
    version: int
    key: str

    def of(self, fate: Fate) -> list[PlannedLine]:
        """Return the lines of one fate, in their order."""
        return [each for each in self.lines if each.fate is fate]


class PlanOvertakenError(ConflictError):
    """What would be done now is not what was looked at. `plan` is what would be done now; nothing was stored."""

    def __init__(self, message: str, plan: ImportPlan) -> None:
        super().__init__(message)
        self.plan = plan


@dataclass(frozen=True, slots=True)
class _Known:
    """The register as it was read once, so that a thousand lines do not ask for it a thousand times."""

    version: int
    drives: Mapping[str, Drive]
    chains: Mapping[str, Chain]
    chains_of: Mapping[str, Sequence[Chain]]
    baselines_of: Mapping[str, Sequence[Baseline]] = field(default_factory=dict)


class ImportDrives:
    """Many drives at once."""

    def __init__(self, register: Register, refused: Refused) -> None:
        self._register, self._refused = register, refused

    def plan(self, wanted: Sequence[WantedLine], *, at_ns: int) -> ImportPlan:
        """Return what would become of each line. Stores nothing."""
        known = self._known()
        lines = tuple(_planned(each, known, at_ns) for each in wanted)
        stored = repr((known.version, [list(_puts(each)) for each in lines]))
        digest = hashlib.sha256(stored.encode()).hexdigest()[:KEY_HASH_CHARS]
        return ImportPlan(lines=lines, version=known.version, key=f"{known.version}-{digest}")

    def apply(
        self, wanted: Sequence[WantedLine], *, key: str, source: str = "", why: str = "", at_ns: int, by: str
    ) -> ImportPlan:
        """Do what was looked at under that key, all of it or nothing, and return it.

        source: of the lines, such as the name of the file. Raises PlanOvertakenError where another thing would be done now,
        ConflictError where a line is refused.
        """
        plan = self.plan(wanted, at_ns=at_ns)
        _refuse_overtaken(plan, key)
        if refused := plan.of(Fate.REFUSED):
            raise ConflictError(
                f"{len(refused)} {'line is' if len(refused) == 1 else 'lines are'} refused, and nothing was stored: correct "
                f"line {refused[0].line} first ({refused[0].refusals[0].text})"
            )
        changes = [change for each in plan.lines for change in _changes(each, at_ns, by, why)]
        if not changes:
            return plan
        counts = {str(fate): len(plan.of(fate)) for fate in Fate if fate is not Fate.REFUSED}
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="drives imported",
            subject="register",
            new={"source": source, **counts},
            why=why,
        )
        try:
            self._register.change_many(changes, version=plan.version, entry=entry)
        except ConflictError:
            _refuse_overtaken(self.plan(wanted, at_ns=at_ns), key)  # somebody was first just now
            raise
        for each in plan.of(Fate.ADDED):
            self._refused.forget_sighting(each.drive.drive_id)
        log.info("drives imported", by=by, at_ns=at_ns, **counts)
        return plan

    def _known(self) -> _Known:
        version = self._register.version()  # before the rest: what changes meanwhile is seen by the version
        chains_of: defaultdict[str, list[Chain]] = defaultdict(list)
        baselines_of: defaultdict[str, list[Baseline]] = defaultdict(list)
        chains = {}
        for chain in self._register.chains():
            chains[chain.chain_id] = chain
            chains_of[chain.drive_id].append(chain)
        for baseline in self._register.baselines():
            baselines_of[baseline.chain_id].append(baseline)
        drives = {each.drive_id: each for each in self._register.drives(retired=True)}
        return _Known(version, drives, chains, chains_of, baselines_of)


def _refuse_overtaken(plan: ImportPlan, key: str) -> None:
    if plan.key == key:
        return
    if key.partition("-")[0] != str(plan.version):
        raise PlanOvertakenError(
            "the register has changed since this was looked at, and nothing was stored: look at what would change now, and "
            "confirm that",
            plan,
        )
    raise PlanOvertakenError(
        "this is not what was looked at, and nothing was stored: look at what would change, and confirm that",
        plan,
    )


def _planned(wanted: WantedLine, known: _Known, at_ns: int) -> PlannedLine:
    """Return what becomes of one line."""
    registration = wanted.registration
    before = known.drives.get(registration.drive.drive_id)
    refusals: list[Refusal] = []
    drive, chain, baseline = registration.drive, None, None
    try:
        drive = _merged_drive(wanted, before)
    except FieldsRefusedError as error:
        refusals += [Refusal(Drive, name, text) for name, text in error.problems.items()]
    try:
        chain = _chain_to_fit(wanted, drive, known, at_ns)
    except FieldsRefusedError as error:
        refusals += [Refusal(Chain, name, text) for name, text in error.problems.items()]
    else:
        baseline = _baseline_to_record(wanted, chain, known)
    if refusals:
        return PlannedLine(line=wanted.line, drive=drive, fate=Fate.REFUSED, refusals=tuple(refusals))
    changes = () if before is None else tuple(_differences(before, drive))
    fate = Fate.ADDED if before is None else Fate.CHANGED if changes or chain or baseline else Fate.LEFT_ALONE
    return PlannedLine(
        line=wanted.line, drive=drive, fate=fate, changes=changes, chain=chain, baseline=baseline
    )


def _merged_drive(wanted: WantedLine, before: Drive | None) -> Drive:
    """Return the drive as it would be. Raises FieldsRefusedError."""
    drive = wanted.registration.drive
    if before is None:
        return drive
    return replace(before, **{name: getattr(drive, name) for name in wanted.drive_fields})


def _differences(old: Drive, new: Drive) -> Iterator[FieldChange]:
    for each in fields(Drive):
        before, after = getattr(old, each.name), getattr(new, each.name)
        if before != after:
            yield FieldChange(each.name, before, after)


def _chain_to_fit(wanted: WantedLine, drive: Drive, known: _Known, at_ns: int) -> Chain | None:
    """Return the chain that would be put on; None where there is none, or it is on already. Raises FieldsRefusedError."""
    chain = _named_chain(wanted, known)
    if chain is None:
        return None
    if (registered := known.chains.get(chain.chain_id)) is not None:
        _refuse_other_facts(wanted, chain, registered)
        return None
    if drive.retired_ns is not None and drive.drive_id in known.drives:
        raise FieldsRefusedError({"chain_id": f"{drive.drive_id} is retired: bring it back first"})
    refuse_ahead("fitted_ns", chain.fitted_ns, at_ns)
    for each in known.chains_of.get(drive.drive_id, ()):
        if overlap(each, chain):
            raise FieldsRefusedError(
                {
                    "fitted_ns": f"chain {each.chain_id!r} is on {drive.drive_id} at that time: record first when it was taken "
                    "off (page of the drive, Chain), or correct the date on which this one was fitted"
                }
            )
    return chain


def _named_chain(wanted: WantedLine, known: _Known) -> Chain | None:
    """Return the chain of a line under the id that it has in the register, where the line gives none and it was fitted then."""
    chain = wanted.registration.chain
    if chain is None or wanted.names_chain:
        return chain
    same = [each for each in known.chains_of.get(chain.drive_id, ()) if each.fitted_ns == chain.fitted_ns]
    return replace(chain, chain_id=same[0].chain_id) if same else chain


def _refuse_other_facts(wanted: WantedLine, chain: Chain, registered: Chain) -> None:
    """Raise FieldsRefusedError where a line says of a registered chain what the register does not."""
    spoken_of = {*wanted.chain_fields, "drive_id"} - {"chain_id"}
    other = [
        name for name in Chain.__dataclass_fields__
        if name in spoken_of and getattr(chain, name) != getattr(registered, name)
    ]  # fmt: skip
    if other:
        raise FieldsRefusedError(
            dict.fromkeys(
                [name if name != "drive_id" else "chain_id" for name in other],
                f"chain {chain.chain_id!r} is registered with another {', '.join(other).replace('_ns', '')}, and a chain's "
                "history is not overwritten: write it as it is registered, or give a new chain an id of its own",
            )
        )


def _baseline_to_record(wanted: WantedLine, chain: Chain | None, known: _Known) -> Baseline | None:
    """Return the baseline that would be recorded; None where there is none, or it is recorded already."""
    baseline = wanted.registration.baseline
    named = chain or _named_chain(wanted, known)
    if baseline is None or named is None:
        return None
    baseline = replace(baseline, chain_id=named.chain_id)
    alike = (
        replace(each, recorded_ns=0, recorded_by="") for each in known.baselines_of.get(named.chain_id, ())
    )
    return None if replace(baseline, recorded_ns=0, recorded_by="") in alike else baseline


def _puts(line: PlannedLine) -> Iterator[Drive | Chain | Baseline | str]:
    """Yield what would be stored of a line; of one that is refused, why."""
    if line.fate is Fate.REFUSED:
        yield f"line {line.line} refused"
    if line.fate is Fate.ADDED or line.changes:
        yield line.drive
    if line.chain is not None:
        yield line.chain
    if line.baseline is not None:
        yield line.baseline


def _changes(line: PlannedLine, at_ns: int, by: str, why: str) -> Iterator[RegisterChange]:
    """Yield what is stored of a line, each with what the audit log says of it."""
    for put in _puts(line):
        if isinstance(put, Drive):
            if line.fate is Fate.ADDED:
                entry = drive_entry("drive added", None, put, at_ns, by)
            else:
                before = replace(put, **{each.name: each.old for each in line.changes})
                entry = drive_entry("drive changed", before, put, at_ns, by)
            yield RegisterChange(put, replace(entry, why=why))
        elif isinstance(put, Chain):
            yield RegisterChange(put, replace(chain_entry(put, at_ns, by), why=why))
        elif isinstance(put, Baseline):
            said = put if put.recorded_by else replace(put, recorded_by=by)
            yield RegisterChange(said, baseline_entry(said, at_ns, by))
