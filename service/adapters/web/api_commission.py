"""API: how far a drive is set up, the baseline at the end of it, and what a drive teaches about itself."""

from typing import Annotated, Any, Literal, Self

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.allowed import needs
from service.adapters.web.api_drives import DriveId, drive_out
from service.adapters.web.instants import Instant, instant_ns, length_ns
from service.adapters.web.parts import PartsDep, WhoSaidDep
from service.adapters.web.problems import refusals, responses
from service.core.commission import Proposal, Start, Step, StepId, StepState
from service.core.learn import DelayFit, NotLearnt, StrainFit
from service.core.people import Role
from service.set_up import E0, Applied, Learnt, SetUpState

router = APIRouter(tags=["commissioning"])

LEARN_DEFAULT = "30d"


def _example(**values: Any) -> dict[str, Any]:
    return {"examples": [values]}


# What it takes


class DoneIn(schemas.In):
    """Who did something at a drive, and why. Both are kept."""

    model_config = ConfigDict(json_schema_extra=_example(by="A. Kern", why="gap of down set anew"))

    by: str = Field(description="Who")
    why: str = Field(description="Why")


class BaselineNowIn(DoneIn):
    """That a baseline is to be taken of the running drive, and what its chain's elongation is now."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"e0": "new", "by": "A. Kern", "why": "new chain fitted"},
                {
                    "e0": "value",
                    "elongation_pct": 0.42,
                    "elongation_u_pct": 0.05,
                    "by": "A. Kern",
                    "why": "by tape",
                },
            ]
        }
    )

    e0: E0 = Field(
        description="new: within its tolerance; hand: newest measurement by hand; last: last reading before a bracket was "
        "touched; value: as given"
    )
    elongation_pct: float | None = Field(default=None, description="With `value`: against nominal pitch")
    elongation_u_pct: float | None = Field(default=None, description="With `value`: its standard uncertainty")
    since: Instant | None = Field(default=None, description="Only batches later than that count")
    shaft_rev_per_min: float | None = Field(default=None, description="Of the driver's shaft, as read")


class DelayNowIn(DoneIn):
    """That the delay found is to be taken off."""

    since: Instant | None = Field(default=None, description="Only batches later than that count")


class StrainNowIn(DoneIn):
    """That the strain learnt is to be taken off."""

    last: str = Field(default=LEARN_DEFAULT, description="Readings of so long back: 12h, 7d, 4w, 1y")


# What it gives

_STEP: dict[str, Any] = {
    "step": "counts",
    "title": "Both count alike",
    "state": "passed",
    "reason": "`up` 4721, `down` 4721 pulses in 12 windows.",
    "mend": "",
    "caution": False,
    "blocks": True,
}
_START: dict[str, Any] = {
    "e0": "new",
    "elongation_pct": 0.075,
    "elongation_u_pct": 0.0433,
    "words": "new chain, 0 to +0.15 % by ISO 606",
}
_PROPOSAL: dict[str, Any] = {
    "pitches_between": 24.2822,
    "pitches_between_u": 0.0055,
    "whole_laps": 72,
    "pieces": 24,
    "taken": "2026-11-25T08:13:00Z",
    "up_alternation_pct": 0.11,
    "down_alternation_pct": 0.12,
}
_DELAY: dict[str, Any] = {
    "delay_us": 98.0,
    "u_us": 2.7,
    "significant": True,
    "speeds_joints_per_s": [47.2, 94.4],
    "points": 48,
    "left_out": 0,
}
_STRAIN: dict[str, Any] = {
    "strain_pct_per_kn": 0.0132,
    "u_pct_per_kn": 0.0009,
    "significant": True,
    "load_least_n": 500.0,
    "load_greatest_n": 3425.0,
    "points": 4210,
    "left_out": 3,
}


class StepOut(schemas.Out):
    """One step of setting a drive up."""

    model_config = ConfigDict(json_schema_extra=_example(**_STEP))

    step: StepId
    title: str
    state: StepState
    reason: str = Field(description="Why, in numbers")
    mend: str = Field(description="What to do; empty where there is nothing")
    caution: bool = Field(description="It means going to the drive: lock out and tag out first")
    blocks: bool = Field(description="No baseline before it has passed")

    @classmethod
    def of(cls, step: Step) -> Self:
        """Return a step as the API gives it."""
        return cls.model_construct(
            step=step.step,
            title=step.title,
            state=step.state,
            reason=step.reason,
            mend=step.mend,
            caution=step.caution,
            blocks=step.blocks,
        )


class StartOut(schemas.Out):
    """What the chain's elongation may be now."""

    model_config = ConfigDict(json_schema_extra=_example(**_START))

    e0: E0
    elongation_pct: float
    elongation_u_pct: float = Field(description="Standard uncertainty (k = 1)")
    words: str

    @classmethod
    def of(cls, e0: E0, start: Start) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            e0=e0,
            elongation_pct=start.elongation_pct,
            elongation_u_pct=start.u_pct,
            words=start.words,
        )


class ProposalOut(schemas.Out):
    """What a baseline taken now would be."""

    model_config = ConfigDict(json_schema_extra=_example(**_PROPOSAL))

    pitches_between: float = Field(description="N0, at reference temperature and load")
    pitches_between_u: float = Field(description="Its standard uncertainty")
    whole_laps: int = Field(description="That it is the mean over; 0 where the loop is not known")
    pieces: int = Field(description="Means that went into it")
    taken: Instant = Field(description="Start of the first batch that went into it")
    up_alternation_pct: float | None
    down_alternation_pct: float | None

    @classmethod
    def of(cls, proposal: Proposal) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            pitches_between=proposal.pitches_between,
            pitches_between_u=proposal.pitches_between_u,
            whole_laps=proposal.whole_laps,
            pieces=proposal.pieces,
            taken=proposal.taken_ns,
            up_alternation_pct=proposal.up_alternation_pct,
            down_alternation_pct=proposal.down_alternation_pct,
        )


class DelayOut(schemas.Out):
    """By how much `down` switches later than `up`."""

    model_config = ConfigDict(json_schema_extra=_example(**_DELAY))

    delay_us: float
    u_us: float = Field(description="Standard uncertainty (k = 1)")
    significant: bool = Field(description="Over three times its uncertainty; else nothing is taken off")
    speeds_joints_per_s: list[float] = Field(description="The clearly different speeds it was found at")
    points: int
    left_out: int = Field(description="Points that were left out as outliers")

    @classmethod
    def of(cls, fit: DelayFit | NotLearnt) -> Self | None:
        """Return it as the API gives it; None where it was not learnt."""
        if isinstance(fit, NotLearnt):
            return None
        return cls.model_construct(
            delay_us=fit.delay_us,
            u_us=fit.u_us,
            significant=fit.significant,
            speeds_joints_per_s=list(fit.speeds),
            points=fit.points,
            left_out=fit.left_out,
        )


class StrainOut(schemas.Out):
    """By how much the strand stretches under load."""

    model_config = ConfigDict(json_schema_extra=_example(**_STRAIN))

    strain_pct_per_kn: float
    u_pct_per_kn: float = Field(description="Standard uncertainty (k = 1)")
    significant: bool = Field(description="Over three times its uncertainty; else nothing is taken off")
    load_least_n: float
    load_greatest_n: float
    points: int
    left_out: int = Field(description="Points that were left out as outliers")

    @classmethod
    def of(cls, fit: StrainFit | NotLearnt) -> Self | None:
        """Return it as the API gives it; None where it was not learnt."""
        if isinstance(fit, NotLearnt):
            return None
        return cls.model_construct(
            strain_pct_per_kn=fit.strain_pct_per_kn,
            u_pct_per_kn=fit.u_pct_per_kn,
            significant=fit.significant,
            load_least_n=fit.load_range_n[0],
            load_greatest_n=fit.load_range_n[1],
            points=fit.points,
            left_out=fit.left_out,
        )


class CommissioningOut(schemas.Out):
    """How far a drive is set up."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            drive_id="infeed-2",
            time="2026-11-25T08:15:00Z",
            since="2026-11-25T07:55:00Z",
            batches=24,
            newest="2026-11-25T08:14:58Z",
            ready_for_baseline=True,
            steps=[_STEP],
            proposal=_PROPOSAL,
            e0="new",
            starts=[_START],
            delay=None,
            baseline=None,
            bracket_touched=None,
        )
    )

    drive_id: str
    time: Instant = Field(description="Now")
    since: Instant = Field(description="Batches later than that were looked at")
    batches: int = Field(description="How many they were")
    newest: Instant | None = Field(description="End of the newest of them")
    ready_for_baseline: bool
    steps: list[StepOut] = Field(description="In their order; the last is the baseline")
    proposal: ProposalOut | None = Field(description="The baseline that could be taken now")
    e0: E0 = Field(description="What the steps took the chain's elongation from")
    starts: list[StartOut] = Field(description="What it may be taken from")
    delay: DelayOut | None = Field(description="As found from these batches; null at one speed only")
    baseline: schemas.BaselineOut | None = Field(description="In force")
    bracket_touched: Instant | None = Field(
        description="When somebody touched one last; an older baseline no longer holds"
    )

    @classmethod
    def of(cls, state: SetUpState, now_ns: int) -> Self:
        """Return it as the API gives it."""
        found = state.commissioning
        return cls.model_construct(
            drive_id=state.drive.drive_id,
            time=now_ns,
            since=state.since_ns,
            batches=found.batches,
            newest=found.newest_ns,
            ready_for_baseline=found.ready_for_baseline,
            steps=[StepOut.of(each) for each in found.steps],
            proposal=ProposalOut.of(found.proposal) if found.proposal else None,
            e0=state.e0,
            starts=[StartOut.of(e0, start) for e0, start in state.starts.items()],
            delay=DelayOut.of(found.delay),
            baseline=schemas.BaselineOut.of(state.baseline) if state.baseline else None,
            bracket_touched=state.touched_ns,
        )


class AppliedOut(schemas.Out):
    """A drive with what was learnt, and the baseline that was brought in line with it."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            drive=schemas.DriveOut.model_json_schema()["examples"][0], baseline=None
        )
    )  # fmt: skip

    drive: schemas.DriveOut
    baseline: schemas.BaselineOut | None = Field(
        description="The corrected one; null where there is none, or its speed or load is not known: `advice` then asks for a "
        "new one"
    )


class LearntOut(schemas.Out):
    """What the stored readings of a drive's chain teach."""

    model_config = ConfigDict(
        json_schema_extra=_example(
            drive_id="infeed-2",
            readings=4210,
            **{"from": "2026-10-26T08:15:00Z"},
            strain=_STRAIN,
            strain_not_learnt=None,
            delay=None,
            delay_not_learnt="one_speed",
        ),
        populate_by_name=True,
    )

    drive_id: str
    readings: int = Field(description="Measured ones of the chain that is on")
    from_: Instant | None = Field(alias="from", description="Time of the first of them")
    strain: StrainOut | None
    strain_not_learnt: NotLearnt | None = Field(description="Why there is no strain")
    delay: DelayOut | None
    delay_not_learnt: NotLearnt | None = Field(description="Why there is no delay")

    @classmethod
    def of(cls, drive_id: str, learnt: Learnt) -> Self:
        """Return it as the API gives it."""
        strain, delay = learnt.strain, learnt.delay
        return cls.model_construct(
            drive_id=drive_id,
            readings=learnt.readings,
            from_=learnt.from_ns,
            strain=StrainOut.of(strain),
            strain_not_learnt=strain if isinstance(strain, NotLearnt) else None,
            delay=DelayOut.of(delay),
            delay_not_learnt=delay if isinstance(delay, NotLearnt) else None,
        )


# The routes

KnownE0 = Literal[E0.NEW, E0.HAND, E0.LAST]


@router.get(
    "/drives/{drive_id}/commissioning",
    summary="How far a drive is set up",
    responses=responses(404, 409),
)
def commissioning(
    parts: PartsDep,
    drive_id: DriveId,
    shaft_rev_per_min: Annotated[
        float | None, Query(description="Of the driver's shaft, to hold the speed against")
    ] = None,
    since: Annotated[
        str | None,
        Query(description="RFC 3339; only batches later than that count. Left out: twenty minutes"),
    ] = None,
    e0: Annotated[
        KnownE0 | None,
        Query(description="What the chain's elongation is taken from; left out: as known best"),
    ] = None,
) -> CommissioningOut:
    """Each step of setting the sensors up, from what came of the drive just now. Ask again while it runs."""
    now_ns = parts.now_ns()
    with refusals():
        state = parts.set_up.state(
            drive_id,
            at_ns=now_ns,
            since_ns=None if since is None else instant_ns(since),
            shaft_rev_per_min=shaft_rev_per_min,
            e0=e0,
        )
    return CommissioningOut.of(state, now_ns)


@router.post(
    "/drives/{drive_id}/commissioning/baseline",
    status_code=201,
    summary="Take the baseline",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def take_baseline(
    parts: PartsDep, by: WhoSaidDep, drive_id: DriveId, given: BaselineNowIn
) -> schemas.BaselineOut:
    """Record N0 as the steps propose it, at the elongation given. 409 while a step is in the way; it is named."""
    with refusals():
        baseline = parts.set_up.record_baseline(
            drive_id,
            e0=_start(given.e0, given.elongation_pct, given.elongation_u_pct),
            why=given.why,
            since_ns=given.since,
            shaft_rev_per_min=given.shaft_rev_per_min,
            at_ns=parts.now_ns(),
            by=by(given.by),
        )
    return schemas.BaselineOut.of(baseline)


def _start(e0: E0, elongation_pct: float | None, u_pct: float | None) -> E0 | Start:
    """Where e0 comes from, or what it is. Raises ValueError where the two contradict each other."""
    if e0 is not E0.VALUE:
        if elongation_pct is not None or u_pct is not None:
            raise ValueError(f"elongation_pct goes with e0 value, not with {e0}: leave it out, or give value")
        return e0
    if elongation_pct is None or u_pct is None:
        raise ValueError("with e0 value, give elongation_pct and its standard uncertainty elongation_u_pct")
    return Start(elongation_pct=elongation_pct, u_pct=u_pct, words="as stated")


@router.post(
    "/drives/{drive_id}/commissioning/delay",
    summary="Take the switching delay off",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def apply_delay(parts: PartsDep, by: WhoSaidDep, drive_id: DriveId, given: DelayNowIn) -> AppliedOut:
    """Have the delay that the steps found at two speeds taken off from now on; the baseline in force follows."""
    with refusals():
        applied = parts.set_up.apply_delay(
            drive_id, why=given.why, since_ns=given.since, at_ns=parts.now_ns(), by=by(given.by)
        )
    return _applied_out(parts, applied)


@router.post(
    "/drives/{drive_id}/commissioning/bracket-touched",
    summary="Note that a bracket was touched",
    responses=responses(404, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def bracket_touched(parts: PartsDep, by: WhoSaidDep, drive_id: DriveId, given: DoneIn) -> schemas.DriveOut:
    """Note it in the drive's note. The baseline no longer holds, and a new one is asked for; nothing is overwritten."""
    with refusals():
        parts.set_up.note_bracket_touched(drive_id, why=given.why, at_ns=parts.now_ns(), by=by(given.by))
    return drive_out(parts, drive_id)


@router.get("/drives/{drive_id}/learnt", summary="What a drive teaches", responses=responses(404))
def learnt(
    parts: PartsDep,
    drive_id: DriveId,
    last: Annotated[
        str, Query(description="Readings of so long back: 12h, 7d, 4w, 1y", examples=["30d"])
    ] = LEARN_DEFAULT,
) -> LearntOut:
    """Strain per load and switching delay from the stored readings of the chain that is on, the newest 20 000 at most."""
    now_ns = parts.now_ns()
    with refusals():
        from_ns = max(0, now_ns - length_ns(last))
    return LearntOut.of(drive_id, parts.set_up.learnt(drive_id, from_ns, now_ns))


@router.post(
    "/drives/{drive_id}/learnt/strain",
    summary="Take the strain off",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def apply_strain(parts: PartsDep, by: WhoSaidDep, drive_id: DriveId, given: StrainNowIn) -> AppliedOut:
    """Have the strain that the readings taught taken off from now on; the baseline in force follows."""
    now_ns = parts.now_ns()
    with refusals():
        from_ns = max(0, now_ns - length_ns(given.last))
        applied = parts.set_up.apply_strain(
            drive_id, why=given.why, from_ns=from_ns, at_ns=now_ns, by=by(given.by)
        )
    return _applied_out(parts, applied)


def _applied_out(parts: PartsDep, applied: Applied) -> AppliedOut:
    return AppliedOut.model_construct(
        drive=drive_out(parts, applied.drive.drive_id, applied.advice),
        baseline=schemas.BaselineOut.of(applied.baseline) if applied.baseline else None,
    )
