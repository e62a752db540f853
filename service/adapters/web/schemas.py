"""What the API takes and gives, as Pydantic models with an example each, and how they come from core's values.

Checks here are of type only: whether a value makes sense is core's to say, in its own words. Times are
RFC 3339 text outside and nanoseconds inside (`Instant`). Units stand at the end of the names.
"""

import base64
from dataclasses import asdict
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field

from service.adapters.web import words
from service.adapters.web.board import DriveState
from service.adapters.web.instants import Instant
from service.core.batch import RejectionReason
from service.core.catalogue import CatalogueChain, Match
from service.core.drive import Baseline, Chain, Drive, LimitTerm
from service.core.hand import HandMethod
from service.core.health import LETTERS, Health, Sign, SignKind, Status
from service.core.life import RemovalKind
from service.core.not_measured import NotMeasured
from service.core.reading import CONVERSION, Reading
from service.measure_by_hand import HandReport
from service.ports import KeptRejection, Sighting

T = "2026-11-25T08:15:00Z"
NS = 1_764_058_500 * 10**9


class Out(BaseModel):
    """What the API gives."""

    model_config = ConfigDict(frozen=True)


class In(BaseModel):
    """What the API takes: no field that nobody reads, so that a misspelt one is told."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _example(**values: Any) -> dict[str, Any]:
    return {"examples": [values]}


# Drives


class DriveSettings(In):
    """The settings of a drive, all but its id."""

    name: str = Field(default="", description="What people call it")
    site: str = Field(default="", description="Site, area and line say where it is")
    area: str = ""
    line: str = ""
    drive_class: str = Field(default="", description="Drives of like duty, compared with each other")
    strand_group: str = Field(
        default="", description="Drives whose chains work side by side and share a load have the same text"
    )
    whole_pitches: int | None = Field(
        description="n: whole pitches of a new chain between the sensors; null: a drive without sensors"
    )
    offset_pitches: float = Field(default=0.0, description="d: the part of a pitch that is over, 0 to 1")
    spacing_u_mm: float = Field(default=0.5, description="Standard uncertainty of the spacing, mm")
    driver_teeth: int | None = Field(
        default=None, description="Teeth of the sprocket that pulls the measured strand"
    )
    driven_teeth: int | None = None
    up_to_driver_mm: float | None = Field(
        default=None, description="Along the strand from sensor `up` to the driver, mm"
    )
    fixed_centres: bool = Field(default=False, description="The shafts cannot be moved apart: limit 1.5 %")
    parallel_strands: bool = Field(default=False, description="Chains run side by side: limit 1.5 %")
    own_limit_pct: float | None = Field(default=None, description="A limit of your own, per cent")
    temp_ref_c: float = Field(default=20.0, description="Elongation is stated at this temperature")
    temp_range_k: float = Field(default=15.0, description="Half width assumed where none is sent")
    mount_expansion_per_k: float = Field(default=11.7e-6, description="Of the sensors' mount; steel 11.7e-6")
    load_ref_n: float | None = Field(default=None, description="Elongation is stated at this tension, N")
    strain_pct_per_kn: float | None = Field(default=None, description="Elastic strain, per cent per kN")
    strain_u_pct_per_kn: float | None = Field(
        default=None,
        description="Its standard uncertainty; null: a quarter of it. Applied from 3 times that on",
    )
    delay_us: float | None = Field(
        default=None, description="By how much `down` switches later than `up`, microseconds; null: not known"
    )
    delay_u_us: float = Field(default=0.0, description="Its standard uncertainty")
    load_u_pct: float = Field(default=0.02, description="Standard uncertainty where no load is sent")
    note: str = ""


_SETTINGS: dict[str, Any] = {
    "name": "Infeed 2",
    "site": "Eschbach works",
    "area": "Sawmill",
    "line": "Line 3",
    "whole_pitches": 24,
    "offset_pitches": 0.5,
    "driver_teeth": 19,
    "driven_teeth": 57,
}


class DriveIn(DriveSettings):
    """A drive to be registered, or its settings anew."""

    model_config = ConfigDict(json_schema_extra=_example(drive_id="infeed-2", **_SETTINGS))

    drive_id: str = Field(description="Short id, as in the topic: a-z, 0-9, - and _, 64 at most")

    def drive(self) -> Drive:
        """Return it as core's value. Raises ValueError with the fix."""
        return Drive(**self.model_dump())


class DrivePut(DriveSettings):
    """All settings of a drive; what is left out takes its default."""

    model_config = ConfigDict(json_schema_extra=_example(**_SETTINGS))


class DrivePatch(DriveSettings):
    """Those settings of a drive that change."""

    model_config = ConfigDict(
        json_schema_extra=_example(own_limit_pct=2.0, note="Limit by the chain's maker")
    )

    whole_pitches: int | None = Field(default=None, description="n; null: a drive without sensors")


_CHAIN: dict[str, Any] = {
    "chain_id": "infeed-2-2026-03-02",
    "drive_id": "infeed-2",
    "designation": "16B-1",
    "pitch_mm": 25.4,
    "strands": 1,
    "pitches_in_loop": 122,
    "fitted": "2026-03-02T06:00:00Z",
    "removed": None,
    "removed_why": "",
    "note": "",
}


class ChainOut(Out):
    """One installed chain, from fitting to removal."""

    model_config = ConfigDict(json_schema_extra=_example(**_CHAIN))

    chain_id: str
    drive_id: str
    designation: str = Field(description="As in the catalogue; empty for a chain of free pitch")
    pitch_mm: float
    strands: int
    pitches_in_loop: int | None
    fitted: Instant
    removed: Instant | None
    removed_why: str
    note: str

    @classmethod
    def of(cls, chain: Chain) -> Self:
        """Return a chain as the API gives it."""
        values = asdict(chain)
        fitted, removed = values.pop("fitted_ns"), values.pop("removed_ns")
        return cls.model_construct(**values, fitted=fitted, removed=removed)


class AgreementOut(Out):
    """Whether the sensors say the same as a measurement by hand."""

    agree: bool = Field(description="The difference is within twice its standard uncertainty")
    difference_pct: float = Field(description="By the sensors less by hand, per cent")
    difference_u_pct: float = Field(description="Its standard uncertainty, wear between the two in it")
    live_pct: float = Field(description="Elongation by the sensors nearest in time")
    live_u_pct: float
    live_time: Instant
    words: str


_HAND: dict[str, Any] = {
    "drive_id": "infeed-2",
    "chain_id": "infeed-2-2026-03-02",
    "measured": T,
    "recorded": "2026-11-25T08:41:07.204Z",
    "recorded_by": "H. Brandt",
    "told": None,
    "method": "rule",
    "pitches": 24,
    "length_mm": 617.0,
    "length_u_mm": 0.5,
    "pitch_mm": 25.4,
    "tight": True,
    "temp_c": None,
    "note": "largest of three places",
    "reliable": True,
    "elongation_pct": 1.2139,
    "elongation_u_pct": 0.0999,
    "limit_pct": 3.0,
    "remaining_mm": 10.888,
    "agreement": {
        "agree": True,
        "difference_pct": 0.0245,
        "difference_u_pct": 0.1084,
        "live_pct": 1.2384,
        "live_u_pct": 0.0421,
        "live_time": "2026-11-25T07:58:20Z",
        "words": "Agrees with the sensors: 0.02 % higher by the sensors, and up to 0.22 % is within the uncertainties",
    },
    "warnings": [],
}


class HandOut(Out):
    """A measurement by hand and what it says. A slack chain gives no number to rely on: `reliable` is false then."""

    model_config = ConfigDict(json_schema_extra=_example(**_HAND))

    drive_id: str
    chain_id: str
    measured: Instant
    recorded: Instant
    recorded_by: str
    told: Instant | None = Field(
        description="When it was measured by the clock of the device that sent it later; `measured` is put right; null where "
        "nothing was sent later"
    )
    method: HandMethod
    pitches: int = Field(description="Measured over so many")
    length_mm: float = Field(description="Joint to joint")
    length_u_mm: float = Field(description="Its standard uncertainty (k = 1)")
    pitch_mm: float = Field(description="Nominal pitch of the chain")
    tight: bool
    temp_c: float | None = Field(description="Of the chain")
    note: str
    reliable: bool
    elongation_pct: float = Field(description="Against nominal pitch, at the drive's reference temperature")
    elongation_u_pct: float = Field(description="Standard uncertainty (k = 1), as that of the whole chain")
    limit_pct: float
    remaining_mm: float = Field(description="Growth of the measured span until the limit; below 0 over it")
    agreement: AgreementOut | None = Field(description="null without a value by the sensors near that time")
    warnings: list[str] = Field(description="What makes it worse than it need be, and what would mend it")

    @classmethod
    def of(cls, report: HandReport) -> Self:
        """Return a measurement by hand as the API gives it."""
        values, live, agreement = asdict(report.value), report.live, report.agreement
        measured, recorded, told = (values.pop(f"{name}_ns") for name in ("measured", "recorded", "told"))
        del values["key"]  # of who sent it
        compared = None
        if live is not None and agreement is not None:
            compared = AgreementOut.model_construct(
                agree=agreement.agree,
                difference_pct=agreement.difference_pct,
                difference_u_pct=agreement.u_pct,
                live_pct=live.elongation_pct,
                live_u_pct=live.u_pct,
                live_time=live.t_ns,
                words=agreement.words,
            )
        return cls.model_construct(
            **values,
            measured=measured,
            recorded=recorded,
            told=told,
            reliable=report.elongation.reliable,
            elongation_pct=report.elongation.elongation_pct,
            elongation_u_pct=report.elongation.u_pct,
            limit_pct=report.limit.limit_pct,
            remaining_mm=report.remaining_mm,
            agreement=compared,
            warnings=list(report.warnings),
        )


_DRIVE: dict[str, Any] = dict(
    drive_id="infeed-2",
    **_SETTINGS,
    drive_class="",
    strand_group="",
    spacing_u_mm=0.5,
    up_to_driver_mm=None,
    fixed_centres=False,
    parallel_strands=False,
    own_limit_pct=None,
    temp_ref_c=20.0,
    temp_range_k=15.0,
    mount_expansion_per_k=11.7e-6,
    load_ref_n=None,
    strain_pct_per_kn=None,
    strain_u_pct_per_kn=None,
    delay_us=None,
    delay_u_us=0.0,
    load_u_pct=0.02,
    note="",
    retired=None,
    limit_pct=3.0,
    limit_term="general",
    limit_words="general rule, 3 %",
    chain=None,
    hand=None,
    advice=[],
)


class DriveOut(Out):
    """A drive with its settings, its limit, the chain that is on it and the newest measurement by hand of that."""

    model_config = ConfigDict(json_schema_extra=_example(**_DRIVE))

    drive_id: str
    name: str
    site: str
    area: str
    line: str
    drive_class: str
    strand_group: str
    whole_pitches: int | None = Field(description="null: a drive without sensors, measured by hand")
    offset_pitches: float
    spacing_u_mm: float
    driver_teeth: int | None
    driven_teeth: int | None
    up_to_driver_mm: float | None
    fixed_centres: bool
    parallel_strands: bool
    own_limit_pct: float | None
    temp_ref_c: float
    temp_range_k: float
    mount_expansion_per_k: float
    load_ref_n: float | None
    strain_pct_per_kn: float | None
    strain_u_pct_per_kn: float | None
    delay_us: float | None
    delay_u_us: float
    load_u_pct: float
    note: str
    retired: Instant | None = Field(description="When it was taken off the board")
    limit_pct: float = Field(description="Elongation at which the chain must be replaced, per cent")
    limit_term: LimitTerm = Field(description="The rule that bound the limit")
    limit_words: str
    chain: ChainOut | None = Field(description="The chain that is on it now")
    hand: HandOut | None = Field(description="The newest measurement by hand of that chain; slack ones aside")
    advice: list[str] = Field(description="What the change just made asks for besides")

    @classmethod
    def of(cls, state: DriveState, hand: HandReport | None, advice: tuple[str, ...] = ()) -> Self:
        """Return a drive as the API gives it."""
        values = asdict(state.drive)
        return cls.model_construct(
            **values,
            retired=values.pop("retired_ns"),
            limit_pct=state.limit.limit_pct,
            limit_term=state.limit.term,
            limit_words=state.limit_words,
            chain=ChainOut.of(state.chain) if state.chain else None,
            hand=HandOut.of(hand) if hand else None,
            advice=list(advice),
        )


# Chains and baselines


class ChainIn(In):
    """A chain that was fitted. The designation fills pitch and strands; a free pitch needs pitch_mm."""

    model_config = ConfigDict(
        json_schema_extra=_example(designation="16B-1", pitches_in_loop=122, fitted="2026-03-02T06:00:00Z")
    )

    chain_id: str = Field(default="", description="Left out: the drive's id and the day it was fitted")
    designation: str = Field(default="", description="As in the catalogue, e.g. 16B-1 or ANSI 80")
    pitch_mm: float | None = None
    strands: int | None = None
    pitches_in_loop: int | None = Field(default=None, description="Joints of the whole chain")
    fitted: Instant | None = Field(default=None, description="Left out: now")
    note: str = ""


class TakeOffIn(In):
    """That a chain was taken off."""

    model_config = ConfigDict(json_schema_extra=_example(why="worn to the limit", kind="worn", removed=T))

    why: str = Field(description="Why it was taken off")
    removed: Instant | None = Field(default=None, description="Left out: now")
    kind: RemovalKind = Field(
        default=RemovalKind.OTHER, description="Only worn ends a life in the statistics of lives"
    )
    elongation_pct: float | None = Field(
        default=None, description="Left out: as measured last, by sensors or by hand"
    )
    u_pct: float | None = Field(default=None, description="Its standard uncertainty")
    note: str = Field(default="", description="What was seen of it")


class BaselineIn(In):
    """What the chain's elongation was at one time, as measured by hand or known of a new chain."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            elongation_pct=0.075, elongation_u_pct=0.043, why="new chain, 0 to +0.15 % by ISO 606"
        )
    )

    elongation_pct: float = Field(description="e0 against nominal pitch, per cent")
    elongation_u_pct: float = Field(description="Its standard uncertainty (k = 1), per cent")
    pitches_between: float | None = Field(
        default=None, description="N0; left out: the mean of the readings of the ten minutes before"
    )
    pitches_between_u: float | None = Field(default=None, description="Its standard uncertainty, pitches")
    taken: Instant | None = Field(default=None, description="Left out: now")
    why: str = Field(default="", description="How it was found")
    by: str | None = Field(default=None, description="Who says so")


class BaselineOut(Out):
    """A baseline as recorded."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            chain_id="infeed-2-2026-03-02",
            pitches_between=24.48,
            pitches_between_u=0.004,
            elongation_pct=0.075,
            elongation_u_pct=0.043,
            taken=T,
            recorded=T,
            recorded_by="web 127.0.0.1",
            why="new chain, 0 to +0.15 % by ISO 606",
            up_alternation_pct=0.107,
            down_alternation_pct=0.109,
        )
    )

    chain_id: str
    pitches_between: float
    pitches_between_u: float
    elongation_pct: float
    elongation_u_pct: float
    taken: Instant
    recorded: Instant
    recorded_by: str
    why: str
    up_alternation_pct: float | None = Field(
        description="Elongation against nominal by long and short links of `up` then; null where N0 was given by hand"
    )
    down_alternation_pct: float | None

    @classmethod
    def of(cls, baseline: Baseline) -> Self:
        """Return a baseline as the API gives it."""
        values = asdict(baseline)
        taken, recorded = values.pop("taken_ns"), values.pop("recorded_ns")
        return cls.model_construct(**values, taken=taken, recorded=recorded)


# Readings

_READING: dict[str, Any] = {
    "device_id": "",
    "t0": "2026-11-25T08:14:50Z",
    "seq": 1042,
    "time": T,
    "chain_id": "infeed-2-2026-03-02",
    "elongation_pct": 1.2384,
    "elongation_u_pct": 0.0421,
    "since_pct": 1.1625,
    "since_u_pct": 0.0123,
    "reason": None,
    "pitches_between": 24.2003,
    "lag_pitches": 0.2003,
    "speed_m_s": 0.84,
    "coherence": 0.9991,
    "pitches_averaged": 330,
    "whole_laps": 2,
    "up_pulses": 331,
    "down_pulses": 331,
    "up_missed": 0,
    "down_missed": 1,
    "up_extra": 0,
    "down_extra": 0,
    "temp_c": 48.2,
    "mount_c": 24.0,
    "load_n": 3400.0,
    "up_alternation_pct": 1.203,
    "up_alternation_u_pct": 0.061,
    "down_alternation_pct": 1.231,
    "down_alternation_u_pct": 0.059,
    "by_alternation": False,
    "polygon_taken_pct": -0.0021,
    "delay_taken_pct": None,
    "temperature_taken_pct": 0.0283,
    "load_taken_pct": 0.012,
    "conversion": CONVERSION,
    "baseline_taken": "2026-03-02T07:00:00Z",
    "baseline_recorded": "2026-03-02T07:05:00Z",
}


class ReadingOut(Out):
    """What one pulse batch yielded. Exactly one of `elongation_pct` and `reason` is null."""

    model_config = ConfigDict(json_schema_extra=_example(**_READING))

    time: Instant = Field(description="End of the window")
    elongation_pct: float | None = Field(
        description="Against nominal pitch, at reference temperature and load"
    )
    elongation_u_pct: float | None = Field(description="Standard uncertainty (k = 1)")
    since_pct: float | None = Field(
        description="The change since the baseline: another number, not to be mixed with elongation_pct"
    )
    since_u_pct: float | None = Field(description="Its standard uncertainty (k = 1), without that of e0")
    reason: NotMeasured | None = Field(description="Why there is no elongation")
    pitches_between: float | None
    lag_pitches: float | None
    speed_m_s: float | None
    coherence: float | None = Field(description="0 to 1: how far all pulses agree on one lag")
    pitches_averaged: int
    whole_laps: int
    up_pulses: int
    down_pulses: int
    up_missed: int
    down_missed: int
    up_extra: int
    down_extra: int
    temp_c: float | None
    mount_c: float | None
    load_n: float | None
    up_alternation_pct: float | None = Field(
        description="Elongation against nominal by the long and short links that `up` sees: a check of the other, less exact"
    )
    up_alternation_u_pct: float | None
    down_alternation_pct: float | None
    down_alternation_u_pct: float | None
    by_alternation: bool = Field(description="The whole number of pitches rests on it")
    polygon_taken_pct: float | None = Field(
        description="What was taken off elongation_pct, per cent; null: not corrected for"
    )
    delay_taken_pct: float | None
    temperature_taken_pct: float | None
    load_taken_pct: float | None
    conversion: int = Field(
        description="Version of the conversion that made it. 1 left out of the alternation what inner links were made over "
        "nominal (0.075 %)"
    )
    baseline_taken: Instant | None = Field(description="When the baseline was taken that since_pct refers to")
    baseline_recorded: Instant | None
    chain_id: str | None
    device_id: str
    seq: int
    t0: Instant

    @classmethod
    def of(cls, reading: Reading) -> Self:
        """Return a reading as the API gives it."""
        values = {name: getattr(reading, name) for name in Reading.__dataclass_fields__}
        return cls.model_construct(
            **values,
            time=values.pop("t_ns"),
            t0=values.pop("t0_ns"),
            baseline_taken=values.pop("baseline_taken_ns"),
            baseline_recorded=values.pop("baseline_recorded_ns"),
        )


class RollUpOut(Out):
    """The readings of one chain over one interval, open at its start, closed and stamped at its end."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            time="2026-11-25T09:00:00Z",
            chain_id="infeed-2-2026-03-02",
            readings=360,
            measured=357,
            mean_pct=1.2391,
            min_pct=1.2288,
            max_pct=1.2467,
            last_pct=1.2402,
            mean_u_pct=0.0421,
            mean_speed_m_s=0.84,
            pulses=119200,
            mean_since_pct=1.1632,
            mean_since_u_pct=0.0123,
        )
    )

    time: Instant = Field(description="End of the interval")
    chain_id: str | None
    readings: int
    measured: int = Field(description="Those with an elongation; the fields below are null where 0")
    mean_pct: float | None
    min_pct: float | None
    max_pct: float | None
    last_pct: float | None
    mean_u_pct: float | None = Field(description="Mean of the standard uncertainties (k = 1)")
    mean_speed_m_s: float | None
    pulses: int = Field(description="Joints that passed")
    mean_since_pct: float | None = Field(
        description="The mean as change since the baseline that was in force"
    )
    mean_since_u_pct: float | None = Field(description="Its standard uncertainty (k = 1), without that of e0")


class SeriesOut(Out):
    """Readings or roll-ups of a drive over a range of time, in the order of time."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "drive_id": "infeed-2",
                    "from": "2026-11-25T07:15:00Z",
                    "to": T,
                    "resolution": "raw",
                    "truncated": False,
                    "rows": [_READING],
                }
            ]
        },
        populate_by_name=True,
    )

    drive_id: str
    from_: Instant = Field(alias="from")
    to: Instant
    resolution: str = Field(description="raw, minute, hour or day")
    truncated: bool = Field(description="Older rows were left out: ask for an earlier `to`")
    rows: list[ReadingOut | RollUpOut]


class SupersededReadingOut(ReadingOut):
    """A reading that another was put in place of, when and why."""

    model_config = ConfigDict(
        json_schema_extra=_example(**_READING, superseded="2026-11-26T09:30:00Z", why="baseline corrected")
    )

    superseded: Instant = Field(description="When another was put in its place")
    why: str


class SupersededOut(Out):
    """Readings of a drive that others were put in place of, in the order of their own time."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "drive_id": "infeed-2",
                    "from": "2026-11-25T07:15:00Z",
                    "to": T,
                    "truncated": False,
                    "rows": [{**_READING, "superseded": "2026-11-26T09:30:00Z", "why": "baseline corrected"}],
                }
            ]
        },
        populate_by_name=True,
    )

    drive_id: str
    from_: Instant = Field(alias="from")
    to: Instant
    truncated: bool = Field(description="Older rows were left out: ask for an earlier `to`")
    rows: list[SupersededReadingOut]


_SIGN: dict[str, Any] = {
    "kind": "pulses_missed",
    "status": "maintenance_required",
    "letter": "M",
    "since": "2026-11-25T07:40:10Z",
    "what": "Sensor down misses 2.4 % of its pulses",
    "mend": "Bring sensor down nearer to the chain, clean it, check its cable and the switching frequency it can do.",
    "sensor": "down",
}


class SignOut(Out):
    """One thing that was seen of the sensing, with its class by NE 107, since when, and what would mend it."""

    model_config = ConfigDict(json_schema_extra=_example(**_SIGN))

    kind: SignKind
    status: Status
    letter: str = Field(description="F, C, S or M")
    since: Instant
    what: str
    mend: str
    sensor: str = Field(description="up, down, or empty for the whole")

    @classmethod
    def of(cls, sign: Sign) -> Self:
        """Return a sign as the API gives it."""
        values = asdict(sign)
        return cls.model_construct(**values, letter=LETTERS[sign.status], since=values.pop("since_ns"))


class SensorsOut(Out):
    """State of the sensing by NAMUR NE 107, apart from that of the chain: the highest that is present, F, C, S, M."""

    sensing: Status
    letter: str = Field(description="F, C, S, M, or empty where it is good or not judged")
    words: str
    signs: list[SignOut] = Field(description="All that is present, the gravest first")
    up_missed: float = Field(description="Share of the newest window's pulses due that did not come, 0 to 1")
    down_missed: float
    up_extra: float = Field(description="Share of its pulses that were one too many, 0 to 1")
    down_extra: float

    @classmethod
    def of(cls, health: Health, reading: Reading | None) -> Self:
        """Return the state of the sensing as the API gives it."""
        shares: dict[str, Any] = dict(words.pulse_shares(reading)) if reading else dict.fromkeys(_SHARES, 0.0)
        return cls.model_construct(
            sensing=health.status,
            letter=health.letter,
            words=words.health_words(health),
            signs=[SignOut.of(sign) for sign in health.signs],
            **shares,
        )


_SHARES = ("up_missed", "down_missed", "up_extra", "down_extra")


class FindingOut(Out):
    """What was found, and what would mend it."""

    what: str
    mend: str


class ShownOut(Out):
    """The same as text, rounded as the page shows it."""

    elongation: str | None = Field(description="Against nominal pitch, per cent")
    uncertainty: str | None = Field(description="Expanded uncertainty U, k = 2, per cent")
    since: str | None = Field(description="Since the baseline, per cent, with its sign")
    since_uncertainty: str | None = Field(description="Expanded uncertainty U, k = 2, per cent")
    speed: str
    used: str | None
    verdict: str | None


_NEWEST: dict[str, Any] = {
    "drive_id": "infeed-2",
    "name": "Infeed 2",
    "place": "Eschbach works / Sawmill / Line 3",
    "chain_id": "infeed-2-2026-03-02",
    "limit_pct": 3.0,
    "limit_term": "general",
    "limit_words": "general rule, 3 %",
    "used": 0.4128,
    "used_by": "live",
    "verdict": "below",
    "hand": None,
    "reading": _READING,
    "age_s": 3.2,
    "measured": _READING,
    "measured_age_s": 3.2,
    "baseline_outdated": False,
    "finding": None,
    "sensors": {
        "sensing": "maintenance_required",
        "letter": "M",
        "words": "Sensor down misses 2.4 % of its pulses",
        "signs": [_SIGN],
        "up_missed": 0.0,
        "down_missed": 0.024,
        "up_extra": 0.0,
        "down_extra": 0.0,
    },
    "shown": {
        "elongation": "1.238",
        "uncertainty": "0.084",
        "since": "+1.163",
        "since_uncertainty": "0.025",
        "speed": "0.84 m/s",
        "used": "41 %",
        "verdict": "below the limit",
    },
}


class HandBriefOut(Out):
    """The newest measurement by hand of the chain that is on a drive."""

    elongation_pct: float
    elongation_u_pct: float = Field(description="Standard uncertainty (k = 1)")
    measured: Instant
    age_s: float
    elongation: str = Field(description="The same as text, per cent")
    uncertainty: str = Field(description="Expanded uncertainty U, k = 2, per cent")
    words: str


class NewestOut(Out):
    """The newest of one drive. `measured` is the newest with an elongation, of the chain now on the drive."""

    model_config = ConfigDict(json_schema_extra=_example(**_NEWEST))

    drive_id: str
    name: str
    place: str
    chain_id: str | None
    limit_pct: float = Field(description="Elongation at which the chain must be replaced, per cent")
    limit_term: LimitTerm = Field(description="The rule that bound it")
    limit_words: str
    used: float | None = Field(description="Elongation over limit, as a ratio")
    used_by: str | None = Field(
        description="live, or hand: no reading has an elongation, or it is a day older than what was measured by hand"
    )
    verdict: words.Verdict | None
    hand: HandBriefOut | None = Field(description="Newest measurement by hand")
    reading: ReadingOut | None
    age_s: float | None = Field(description="Age of the newest reading")
    measured: ReadingOut | None
    measured_age_s: float | None
    baseline_outdated: bool = Field(
        description="`measured` rests on a baseline from before the sensors were touched: it holds no more, take a new one"
    )
    finding: FindingOut | None = Field(description="Why the newest has no elongation, and what would mend it")
    sensors: SensorsOut | None
    shown: ShownOut

    @classmethod
    def of(cls, state: DriveState, now_ns: int) -> Self:
        """Return the newest of a drive as the API gives it."""
        measured = state.measured
        return cls.model_construct(
            drive_id=state.drive.drive_id,
            name=state.title,
            place=state.place,
            chain_id=state.chain.chain_id if state.chain else None,
            limit_pct=state.limit.limit_pct,
            limit_term=state.limit.term,
            limit_words=state.limit_words,
            used=state.used,
            used_by=state.known.by if state.known else None,
            verdict=state.verdict,
            hand=hand_brief(state, now_ns),
            reading=ReadingOut.of(state.reading) if state.reading else None,
            age_s=state.age_s(now_ns),
            measured=ReadingOut.of(measured) if measured else None,
            measured_age_s=max(0.0, (now_ns - measured.t_ns) / 1e9) if measured else None,
            baseline_outdated=state.baseline_outdated,
            finding=FindingOut.model_construct(what=state.finding.what, mend=state.finding.mend)
            if state.finding
            else None,
            sensors=SensorsOut.of(state.health, state.reading) if state.health else None,
            shown=shown(state),
        )


def hand_brief(state: DriveState, now_ns: int) -> HandBriefOut | None:
    """Return the newest measurement by hand of a drive's chain, None without one."""
    known, said = state.by_hand, state.by_hand_words(now_ns)
    if known is None or said is None:
        return None
    elongation, expanded, age = said
    return HandBriefOut.model_construct(
        elongation_pct=known.elongation_pct,
        elongation_u_pct=known.u_pct,
        measured=known.t_ns,
        age_s=max(0.0, (now_ns - known.t_ns) / 1e9),
        elongation=elongation,
        uncertainty=expanded,
        words=f"{elongation} \N{PLUS-MINUS SIGN} {expanded} %, measured by hand, {age} ago",
    )


def shown(state: DriveState) -> ShownOut:
    """Return the texts of a drive's newest numbers."""
    elongation = uncertainty = since = since_uncertainty = None
    measured = state.measured
    if measured is not None and measured.elongation_pct is not None:
        elongation, uncertainty = words.elongation_words(
            measured.elongation_pct, measured.elongation_u_pct or 0.0
        )
    if measured is not None and measured.since_pct is not None:
        since, since_uncertainty = words.change_words(measured.since_pct, measured.since_u_pct or 0.0)
    return ShownOut.model_construct(
        elongation=elongation,
        uncertainty=uncertainty,
        since=since,
        since_uncertainty=since_uncertainty,
        speed=words.speed_words(state.reading.speed_m_s if state.reading else None),
        used=None if state.used is None else words.used_words(state.used),
        verdict=None if state.verdict is None else words.VERDICT_WORDS[state.verdict],
    )


class NewestListOut(Out):
    """The newest of every drive on the board, most worn first."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"now": T, "drives": [_NEWEST]}]})

    now: Instant = Field(description="Clock of the service, to which ages refer")
    drives: list[NewestOut]


# What was refused


class RejectionOut(Out):
    """A message that could not be used, with its reason."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            number=17,
            drive_id="infeed-2",
            topic="linklag/v1/infeed-2/pulses",
            reason="clock_off",
            detail="t0 lies 3 h 12 min ahead of now; set the clock of the device",
            payload_bytes=1604,
            received=T,
            repeats=4,
        )
    )

    number: int
    drive_id: str
    topic: str
    reason: RejectionReason
    detail: str
    payload_bytes: int = Field(description="Length as it came")
    received: Instant
    repeats: int = Field(description="The same payload came so many times more")

    @classmethod
    def of(cls, kept: KeptRejection) -> Self:
        """Return a rejection as the API gives it."""
        return cls.model_construct(**_rejection_values(kept))


class RejectionDetailOut(RejectionOut):
    """A rejection with what is kept of its payload, at most 64 KiB."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            number=17,
            drive_id="infeed-2",
            topic="linklag/v1/infeed-2/pulses",
            reason="not_v1",
            detail='"v" is missing; send "v": 1',
            payload_bytes=11,
            received=T,
            repeats=0,
            payload_base64="eyJzZXEiOiAxfQ==",
            payload_text='{"seq": 1}',
            payload_cut=False,
        )
    )

    payload_base64: str
    payload_text: str | None = Field(description="The same where it is UTF-8 text")
    payload_cut: bool = Field(description="Its end was not kept")

    @classmethod
    def of(cls, kept: KeptRejection) -> Self:
        """Return a rejection as the API gives it, with its payload."""
        payload = kept.rejection.payload
        return cls.model_construct(
            **_rejection_values(kept),
            payload_base64=base64.b64encode(payload).decode("ascii"),
            payload_text=payload_text(payload),
            payload_cut=kept.rejection.payload_bytes > len(payload),
        )


def _rejection_values(kept: KeptRejection) -> dict[str, Any]:
    values = {name: getattr(kept.rejection, name) for name in type(kept.rejection).__dataclass_fields__}
    del values["payload"]
    return values | {
        "number": kept.number,
        "repeats": kept.repeats,
        "received": values.pop("received_ns"),
    }


def payload_text(payload: bytes) -> str | None:
    """Return a payload as text where it is UTF-8 (a cut last character aside) without control characters."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(payload) - 3:
            return None
        text = payload[: error.start].decode("utf-8")
    return None if any(char < " " and char not in "\t\r\n" for char in text) else text


class SightingOut(Out):
    """A drive on the broker that nobody registered, with what was seen of it."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            drive_id="outfeed-1",
            first_seen="2026-11-25T07:02:11Z",
            last_seen=T,
            messages=438,
            topic="linklag/v1/outfeed-1/pulses",
            device_id="",
            up_rate_hz=33.07,
            down_rate_hz=33.05,
        )
    )

    drive_id: str
    first_seen: Instant
    last_seen: Instant
    messages: int
    topic: str
    device_id: str
    up_rate_hz: float | None = Field(description="Pulses a second of the newest batch")
    down_rate_hz: float | None

    @classmethod
    def of(cls, sighting: Sighting) -> Self:
        """Return a sighting as the API gives it."""
        values = asdict(sighting)
        first, last = values.pop("first_seen_ns"), values.pop("last_seen_ns")
        return cls.model_construct(**values, first_seen=first, last_seen=last)


class RegisterIn(DriveSettings):
    """The settings of a drive that was seen, and the chain on it: one call to register both."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            name="Outfeed 1", whole_pitches=24, driver_teeth=19, chain={"designation": "16B-1"}
        )
    )

    whole_pitches: int = Field(description="n: whole pitches of a new chain between the sensors")
    chain: ChainIn | None = Field(default=None, description="The chain on it, if known")


class RegisteredOut(Out):
    """What was registered."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "drive": _DRIVE,
                    "chain": _CHAIN,
                }
            ]
        }
    )

    drive: DriveOut
    chain: ChainOut | None


# Catalogue


_CATALOGUE_CHAIN: dict[str, Any] = {
    "designation": "16B-1",
    "aliases": [],
    "standard": "ISO 606",
    "kind": "roller",
    "pitch_mm": 25.4,
    "roller_dia_mm": 15.88,
    "inner_width_mm": 17.02,
    "pin_dia_mm": 8.28,
    "transverse_pitch_mm": 31.88,
    "strands": 1,
    "lacing": "",
}


class CatalogueChainOut(Out):
    """One chain of the catalogue; dimensions in mm of new chain."""

    model_config = ConfigDict(json_schema_extra=_example(**_CATALOGUE_CHAIN))

    designation: str
    aliases: list[str] = Field(description="ASME and other numbers of the same chain")
    standard: str
    kind: str
    pitch_mm: float | None = Field(description="null where the number does not fix it (conveyor chain)")
    roller_dia_mm: float | None
    inner_width_mm: float | None
    pin_dia_mm: float | None
    transverse_pitch_mm: float | None
    strands: int
    lacing: str

    @classmethod
    def of(cls, chain: CatalogueChain) -> Self:
        """Return a chain of the catalogue as the API gives it."""
        values = {name: getattr(chain, name) for name in cls.model_fields}
        return cls.model_construct(
            **values | {"designation": chain.full_designation, "aliases": list(chain.aliases)}
        )


class MatchOut(Out):
    """One chain that a measurement fits."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            chain=_CATALOGUE_CHAIN,
            alike=[],
            new=True,
            elongation_pct=0.12,
            elongation_u_pct=0.08,
            verdict="as new chain (+0.12 % +/- 0.16 %)",
            tell_apart=["roller diameter 15.88 mm (12B: 12.07 mm)"],
        )
    )

    chain: CatalogueChainOut
    alike: list[str] = Field(description="Designations of the same dimensions")
    new: bool = Field(description="The length is that of new chain, as well as it was measured")
    elongation_pct: float = Field(description="What the length would mean for this chain")
    elongation_u_pct: float = Field(description="Standard uncertainty from measuring the length")
    verdict: str
    tell_apart: list[str] = Field(description="What tells it from the other matches")

    @classmethod
    def of(cls, match: Match) -> Self:
        """Return a match as the API gives it."""
        return cls.model_construct(
            chain=CatalogueChainOut.of(match.chain),
            alike=list(match.alike),
            new=match.new,
            elongation_pct=match.elongation_pct,
            elongation_u_pct=match.elongation_u_pct,
            verdict=match.verdict,
            tell_apart=list(match.tell_apart),
        )


# State of the service


class PartOut(Out):
    """One part of the service."""

    up: bool
    detail: str


class ReadyOut(Out):
    """Whether the service can do its work, part by part."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            ready=False,
            down=["broker"],
            parts={
                "store": {"up": True, "detail": "answers"},
                "broker": {"up": False, "detail": "not connected: connection refused"},
                "worker": {"up": True, "detail": "newest reading is 4 s old"},
            },
        )
    )

    ready: bool
    down: list[str] = Field(description="The parts that are down")
    parts: dict[str, PartOut]


class LiveOut(Out):
    """That the process answers."""

    model_config = ConfigDict(json_schema_extra=_example(live=True))

    live: bool
