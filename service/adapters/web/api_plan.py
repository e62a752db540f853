"""API: the plan of two sensors before anyone drills a hole.

What is asked for are the fields of `service.core.plan.Layout`, a speed in rev/min beside them; what is left out takes
core's default. Needs neither drives nor readings.
"""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import Field

from service.adapters.web.problems import refusals, responses
from service.adapters.web.schemas import In
from service.core.plan import Plan, layout_of, plain, plan_sensors

router = APIRouter(tags=["plan"])


class PlanIn(In):
    """What is known and wanted of a drive that shall get sensors. null: not known, or left to the plan."""

    designation: str | None = Field(
        default=None, description="Of the chain: 16B-1, ANSI 80 ...", max_length=60
    )
    pitch_mm: float | None = Field(default=None, description="Where no designation says it")
    pitches_in_loop: int | None = Field(default=None, description="Joints of the whole chain")
    driver_teeth: int | None = Field(
        default=None, description="Of the sprocket that pulls the measured strand"
    )
    driven_teeth: int | None = None
    speed_min_m_s: float | None = Field(default=None, description="Lowest speed to be measured at")
    speed_max_m_s: float | None = Field(default=None, description="Highest; left out: steady speed")
    rpm_min: float | None = Field(default=None, description="The same in rev/min of the driver")
    rpm_max: float | None = None
    strand_mm: float | None = Field(default=None, description="Straight, free length of the measured strand")
    slack: bool | None = Field(default=None, description="It is the slack one")
    vertical: bool | None = None
    reverses: bool | None = None
    fixed_centres: bool | None = Field(default=None, description="Limit 1.5 %")
    parallel_strands: bool | None = Field(default=None, description="Limit 1.5 %")
    own_limit_pct: float | None = None
    whole_pitches: int | None = Field(default=None, description="n, where it is fixed already")
    offset_pitches: float | None = Field(default=None, description="d, where it is fixed already")
    up_to_driver_mm: float | None = Field(
        default=None, description="Along the strand, where it is fixed already"
    )
    spacing_u_mm: float | None = Field(default=None, description="Standard uncertainty of the spacing: 0.5")
    rated_distance_mm: float | None = Field(default=None, description="s_n of the proximity switch")
    repeatability_mm: float | None = Field(
        default=None, description="Standard deviation of its switching place: by s_n, else 0.05"
    )
    switching_hz: float | None = Field(default=None, description="Its rated switching frequency")
    delay_mismatch_us: float | None = Field(
        default=None, description="One switches later than the other by: 100"
    )
    delay_u_us: float | None = Field(default=None, description="What is left of that once learnt")
    mount_u_mm: float | None = Field(default=None, description="Creep of the mounts, k = 1: 0.05")
    tick_ns: int | None = Field(default=None, description="1000")
    stamp_jitter_us: float | None = Field(default=None, description="Of a time stamp beside the tick: 0")
    two_clocks: bool | None = Field(default=None, description="Two devices, each with a clock of its own")
    sync_error_us: float | None = Field(default=None, description="Between two clocks: 1000")
    reduced: bool | None = Field(default=None, description="The device sends mean lags in place of pulses")
    window_s: float | None = Field(default=None, description="Length of a batch: a lap at the lowest speed")
    temperature_sent: bool | None = Field(default=None, description="Of chain and of mount")
    temp_range_k: float | None = Field(default=None, description="Half width where it is not: 15")
    mount_expansion_per_k: float | None = Field(default=None, description="11.7e-6, steel")
    load_sent: bool | None = None
    load_swing_n: float | None = Field(default=None, description="Half width of the pull about its mean")
    strain_pct_per_kn: float | None = Field(default=None, description="Else by the strength of the chain")
    load_u_pct: float | None = Field(default=None, description="Where the swing is not given: 0.02")
    e0_u_pct: float | None = Field(
        default=None, description="Of the new chain's elongation: by its tolerance"
    )


EXAMPLE: dict[str, Any] = {
    "designation": "16B-1",
    "driver_teeth": 19,
    "driven_teeth": 57,
    "speed_min_m_s": 0.8,
    "speed_max_m_s": 1.6,
    "strand_mm": 1200.0,
    "pitches_in_loop": 122,
}


_EXAMPLE_200: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The plan. Uncertainties are standard uncertainties (k = 1) in per cent of elongation",
        "content": {"application/json": {"example": plain(plan_sensors(layout_of(**EXAMPLE)))}},
    }
}


@router.get("/plan", summary="Plan two sensors", responses=responses() | _EXAMPLE_200)
def plan(asked: Annotated[PlanIn, Query()]) -> Plan:
    """How far apart, where, and how well they will measure.

    Ask for chain and speed at least: `designation=16B-1&speed_min_m_s=0.8&speed_max_m_s=1.6&driver_teeth=19&strand_mm=1200`.
    The answer is what `linklag plan --json` prints: `layout` is what was asked, filled in; `expected` holds, at the limit,
    the uncertainty of the elongation against nominal from a baseline, of its change since then, and before any baseline,
    each with its terms (`stated`: a reading states it too); `improvements` what to change to halve it.
    """
    with refusals():
        return plan_sensors(layout_of(**asked.model_dump(exclude_none=True)))
