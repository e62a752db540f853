"""What the API takes and gives of sites, work in hand, notes and handovers, as `schemas` has the rest."""

from collections.abc import Sequence
from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.instants import Instant
from service.core.handover import Head, Receipt, Signature, SignRole
from service.core.shift import Pattern, Shift, Site, Slot, clock_time
from service.core.work import Note, Work, WorkKind
from service.hand_over import Shown

_SLOTS: list[dict[str, Any]] = [
    {"name": "Early", "starts": "06:00", "ends": "14:00", "days": [1, 2, 3, 4, 5]},
    {"name": "Late", "starts": "14:00", "ends": "22:00", "days": [1, 2, 3, 4, 5]},
    {"name": "Night", "starts": "22:00", "ends": "06:00", "days": [1, 2, 3, 4, 7]},
]
_SHIFT: dict[str, Any] = {"name": "Early", "from": "2026-11-25T05:00:00Z", "to": "2026-11-25T13:00:00Z"}
_SITE: dict[str, Any] = {"site": "Eschbach works", "zone": "Europe/Berlin", "slots": _SLOTS}


def _example(**values: Any) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": [values]})


class SlotIn(schemas.In):
    """A shift that begins at `starts` on these days and ends when the clock next shows `ends`."""

    model_config = _example(**_SLOTS[0])

    name: str
    starts: str = Field(description="By the clock on the wall, to the minute", max_length=10)
    ends: str = Field(description="The same time as `starts`: a whole day", max_length=10)
    days: list[int] = Field(
        default=[1, 2, 3, 4, 5, 6, 7],
        max_length=7,
        description="Days on which it begins: Monday 1 to Sunday 7",
    )

    def slot(self) -> Slot:
        """Return it as core's value. Raises ValueError with the fix."""
        return Slot(
            name=self.name,
            starts=clock_time(self.starts),
            ends=clock_time(self.ends),
            days=frozenset(self.days),
        )


class SiteIn(schemas.In):
    """Zone and shifts of a site. What is left out of `slots` is free; no two may overlap."""

    model_config = _example(**_SITE, why="three shifts from Monday on")

    site: str = Field(description="As drives name it")
    zone: str = Field(default="UTC", description="Time zone of its clocks, e.g. Europe/Berlin")
    slots: list[SlotIn] = Field(default=[], max_length=50)
    why: str = Field(default="", max_length=4000, description="For the audit log")

    def as_site(self) -> Site:
        """Return it as core's value. Raises ValueError with the fix."""
        return Site(
            site=self.site, zone=self.zone, pattern=Pattern(tuple(each.slot() for each in self.slots))
        )


class ShiftOut(schemas.Out):
    """One shift that takes place. `name` is empty for a range, and between shifts."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_SHIFT), populate_by_name=True)

    name: str
    from_: Annotated[Instant, Field(serialization_alias="from", validation_alias="from")]
    to: Instant

    @classmethod
    def of(cls, shift: Shift) -> Self:
        """Return a shift as the API gives it."""
        return cls.model_construct(name=shift.name, from_=shift.from_ns, to=shift.to_ns)


class SlotOut(schemas.Out):
    """One line of a pattern."""

    name: str
    starts: str
    ends: str
    days: list[int]


class SiteOut(schemas.Out):
    """A site with its shifts, the one that is on and the next."""

    model_config = ConfigDict(
        **schemas.Out.model_config,
        **_example(**_SITE, on=_SHIFT, next=_SHIFT | {"name": "Late"}, drives=12),
    )

    site: str
    zone: str
    slots: list[SlotOut] = Field(description="Empty where no shifts are set")
    on: ShiftOut | None = Field(description="null between shifts")
    next: ShiftOut | None
    drives: int = Field(description="So many drives name it")

    @classmethod
    def of(cls, site: Site, on: Shift | None, following: Shift | None, drives: int) -> Self:
        """Return a site as the API gives it."""
        return cls.model_construct(
            site=site.site,
            zone=site.zone,
            slots=[
                SlotOut.model_construct(
                    name=each.name,
                    starts=f"{each.starts:%H:%M}",
                    ends=f"{each.ends:%H:%M}",
                    days=sorted(each.days),
                )
                for each in site.pattern.slots
            ],
            on=ShiftOut.of(on) if on else None,
            next=ShiftOut.of(following) if following else None,
            drives=drives,
        )


_WORK: dict[str, Any] = {
    "work_id": 7,
    "drive_id": "infeed-2",
    "kind": "locked_out",
    "since": schemas.T,
    "by": "H. Brandt",
    "why": "guard is off, new bearings",
    "work_order": "4711",
    "recorded": schemas.T,
    "closed": None,
    "closed_by": "",
    "closed_why": "",
}


class WorkIn(schemas.In):
    """What is being done to a drive. Open commissioning or simulation is a function check of the sensing (NE 107)."""

    model_config = _example(drive_id="infeed-2", kind="locked_out", why="guard is off", work_order="4711")

    drive_id: str
    kind: WorkKind
    why: str
    work_order: str = ""
    since: Instant | None = Field(default=None, description="Left out: now")
    by: str | None = Field(default=None, max_length=200, description="Who says so")


class WorkDoneIn(schemas.In):
    """That it is done."""

    model_config = _example(why="guard is on, tried")

    why: str = Field(default="", description="What came of it")
    closed: Instant | None = Field(default=None, description="Left out: now")
    by: str | None = Field(default=None, max_length=200, description="Who says so")


class WorkOut(schemas.Out):
    """Work in hand, or done."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_WORK))

    work_id: int
    drive_id: str
    kind: WorkKind
    since: Instant
    by: str
    why: str
    work_order: str
    recorded: Instant
    closed: Instant | None = Field(description="null: it goes on")
    closed_by: str
    closed_why: str

    @classmethod
    def of(cls, work: Work) -> Self:
        """Return work as the API gives it."""
        return cls.model_construct(
            work_id=work.work_id,
            drive_id=work.drive_id,
            kind=work.kind,
            since=work.since_ns,
            by=work.by,
            why=work.why,
            work_order=work.work_order,
            recorded=work.recorded_ns,
            closed=work.closed_ns,
            closed_by=work.closed_by,
            closed_why=work.closed_why,
        )


class NoteIn(schemas.In):
    """A note for the next shift, of a site or of one drive of it."""

    model_config = _example(
        site="Eschbach works", drive_id="infeed-2", text="Oil drips, a tray stands below."
    )

    site: str
    text: str
    drive_id: str = ""
    about: Instant | None = Field(default=None, description="When it was so; left out: now")
    by: str | None = Field(default=None, max_length=200, description="Who says so")


class NoteOut(schemas.Out):
    """A note as recorded."""

    model_config = ConfigDict(
        **schemas.Out.model_config,
        **_example(
            number=3,
            site="Eschbach works",
            drive_id="infeed-2",
            text="Oil drips, a tray stands below.",
            about=schemas.T,
            recorded=schemas.T,
            by="H. Brandt",
        ),
    )

    number: int
    site: str
    drive_id: str
    text: str
    about: Instant
    recorded: Instant
    by: str

    @classmethod
    def of(cls, note: Note) -> Self:
        """Return a note as the API gives it."""
        return cls.model_construct(
            number=note.number,
            site=note.site,
            drive_id=note.drive_id,
            text=note.text,
            about=note.true_ns,
            recorded=note.recorded_ns,
            by=note.by,
        )


# Handovers

_SIGNED: dict[str, Any] = {
    "role": "giver",
    "name": "H. Brandt",
    "by": "brandt",
    "at": "2026-11-25T13:04:00Z",
    "remark": "",
}
_RECEIVED: dict[str, Any] = {
    "system": "plant office",
    "at": "2026-11-25T13:05:00Z",
    "by": "token office",
    "reference": "doc-9",
}
_HEAD: dict[str, Any] = {
    "number": 12,
    "site": "Eschbach works",
    "shift": "Early",
    "from": _SHIFT["from"],
    "to": _SHIFT["to"],
    "frozen": "2026-11-25T13:01:00Z",
    "frozen_by": "linklag",
    "sha256": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    "signatures": [_SIGNED],
    "receipts": [_RECEIVED],
}
CONTENT: dict[str, Any] = {
    "v": 1,
    "site": "Eschbach works",
    "zone": "Europe/Berlin",
    "shift": "Early",
    "from": "2026-11-25T05:00:00.000000Z",
    "to": "2026-11-25T13:00:00.000000Z",
    "covers_from": "2026-11-25T05:00:00.000000Z",
    "to_do": [
        {
            "kind": "change_chain",
            "drive_id": "infeed-2",
            "name": "Infeed 2",
            "place": "Sawmill / Line 3",
            "do": "At its limit: plan its stop and change the chain",
            "why": "3.02 % of 3.00 %",
            "due": None,
            "at_drive": True,
        }
    ],
    "more": {},
}


class FreezeIn(schemas.In):
    """Which time of a site shall be frozen: a range, or, without one, the shift that ended last."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"site": "Eschbach works"},
                {"site": "Eschbach works", "from": _SHIFT["from"], "to": _SHIFT["to"]},
            ]
        }
    )

    site: str
    from_: Instant | None = Field(default=None, alias="from")
    to: Instant | None = None


class SignIn(schemas.In):
    """A signature. The giver signs first; then another person, who read it back."""

    model_config = _example(role="taker", name="A. Vogt", read_back=True, remark="")

    role: SignRole
    name: str = Field(
        default="",
        description="Who signs; whoever is logged in signs under the own name, whatever stands here",
    )
    read_back: bool = Field(default=False, description="Of the taker: it was read back to the giver")
    remark: str = ""


class SignatureOut(schemas.Out):
    """A signature."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_SIGNED))

    role: SignRole
    name: str
    by: str = Field(description="The account it was done with")
    at: Instant
    remark: str

    @classmethod
    def of(cls, signature: Signature) -> Self:
        """Return a signature as the API gives it."""
        return cls.model_construct(
            role=signature.role,
            name=signature.name,
            by=signature.by,
            at=signature.at_ns,
            remark=signature.remark,
        )


class ReceiptIn(schemas.In):
    """That another system has taken a handover. Sent twice, it counts once."""

    model_config = _example(system="plant office", reference="doc-9")

    system: str = Field(description="Its name, the same each time")
    reference: str = Field(default="", description="Its own name for the handover")


class ReceiptOut(schemas.Out):
    """A receipt: the first that the system gave."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_RECEIVED))

    system: str
    at: Instant
    by: str
    reference: str

    @classmethod
    def of(cls, receipt: Receipt) -> Self:
        """Return a receipt as the API gives it."""
        return cls.model_construct(
            system=receipt.system, at=receipt.at_ns, by=receipt.by, reference=receipt.reference
        )


class HeadOut(ShiftOut):
    """A frozen handover without its content."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_HEAD), populate_by_name=True)

    number: int = Field(description="Rises in the order in which handovers are frozen")
    site: str
    name: str = Field(serialization_alias="shift", validation_alias="shift", description="Empty for a range")
    frozen: Instant
    frozen_by: str = Field(description="linklag: by the clock")
    sha256: str = Field(description="Of the text at /content, in hexadecimal")
    signatures: list[SignatureOut] = Field(description="The giver's first")
    receipts: list[ReceiptOut] = Field(description="Which systems have confirmed that they took it")

    @classmethod
    def told(cls, head: Head, signatures: Sequence[Signature], receipts: Sequence[Receipt]) -> Self:
        """Return a handover as a list gives it; signatures and receipts may be those of others too."""
        return cls.model_construct(**_head_values(head, signatures, receipts))


class HandoverListOut(schemas.Out):
    """A page of handovers."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(handovers=[_HEAD], next=12))

    handovers: list[HeadOut]
    next: int | None = Field(description="`cursor` of the next page; null: this was the last")


class HandoverOut(HeadOut):
    """A frozen handover."""

    model_config = ConfigDict(
        **schemas.Out.model_config,
        **_example(**_HEAD, intact=True, content=CONTENT),
        populate_by_name=True,
    )

    intact: bool = Field(description="Whether the content still has that SHA-256")
    content: dict[str, Any] = Field(
        description="What was frozen: lists under fixed names, times in UTC, numbers with their unit in the name"
    )

    @classmethod
    def of_shown(cls, shown: Shown) -> Self:
        """Return a handover as the API gives it."""
        return cls.model_construct(
            **_head_values(shown.handover.head, shown.signatures, shown.receipts),
            intact=shown.handover.intact,
            content=shown.handover.told,
        )


def _head_values(head: Head, signatures: Sequence[Signature], receipts: Sequence[Receipt]) -> dict[str, Any]:
    return {
        "number": head.number,
        "site": head.site,
        "name": head.shift,
        "from_": head.from_ns,
        "to": head.to_ns,
        "frozen": head.frozen_ns,
        "frozen_by": head.frozen_by,
        "sha256": head.sha256,
        "signatures": [SignatureOut.of(each) for each in signatures if each.handover == head.number],
        "receipts": [ReceiptOut.of(each) for each in receipts if each.handover == head.number],
    }
