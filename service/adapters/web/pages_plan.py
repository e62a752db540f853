"""The page that plans two sensors: a form that is asked by GET, so that a plan can be kept as a bookmark and sent on.

Needs neither drives nor readings. What was typed comes back with the plan, or with what is wrong beside each field.
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web import forms, words
from service.adapters.web.forms import Field, Group, Kind
from service.adapters.web.lengths import inch_words
from service.adapters.web.pages_forms import Wrong
from service.adapters.web.plan_picture import bars, draw_budget, draw_place
from service.adapters.web.templating import render
from service.core.fields import FieldsRefusedError
from service.core.plan import (
    TERM_WORDS,
    VALUE_WORDS,
    Plan,
    Value,
    layout_of,
    plan_sensors,
    planned_drive,
    seconds_words,
    tick_words,
)

router = APIRouter()

GROUPS = (
    Group(
        "Chain and drive",
        (
            Field("designation", "Chain", help="16B-1, ANSI 80, M80-160 ..."),
            Field("pitch_mm", "Pitch", Kind.NUMBER, "mm", "Only where there is no designation"),
            Field("driver_teeth", "Teeth of the driver", Kind.WHOLE, help="It pulls the strand that is measured"),
            Field("driven_teeth", "Teeth of the driven sprocket", Kind.WHOLE),
            Field("pitches_in_loop", "Joints of the whole chain", Kind.WHOLE, help="Lets windows be whole laps"),
            Field("strand_mm", "Straight strand", Kind.NUMBER, "mm", "Free, from sprocket to sprocket"),
        ),
    ),
    Group(
        "Speeds to be measured at",
        (
            Field("speed_min_m_s", "Lowest", Kind.NUMBER, "m/s"),
            Field("speed_max_m_s", "Highest", Kind.NUMBER, "m/s", "Left empty: steady speed"),
            Field("rpm_min", "Or lowest of the driver", Kind.NUMBER, "rev/min"),
            Field("rpm_max", "Highest of the driver", Kind.NUMBER, "rev/min"),
        ),
    ),
    Group(
        "Kind of drive",
        (
            Field("slack", "Only the slack strand can be reached", Kind.FLAG),
            Field("vertical", "Upright or steep", Kind.FLAG),
            Field("reverses", "Runs both ways", Kind.FLAG),
            Field("fixed_centres", "Centres are fixed", Kind.FLAG, help="The limit is then 1.5 %"),
            Field("parallel_strands", "Chains run side by side", Kind.FLAG, help="The limit is then 1.5 %"),
            Field("own_limit_pct", "A limit of your own", Kind.NUMBER, "%"),
        ),
    ),
    Group(
        "Sensors",
        (
            Field("rated_distance_mm", "Rated sensing distance, s_n", Kind.NUMBER, "mm", "Bounds its scatter"),
            Field("repeatability_mm", "Scatter of the switching place", Kind.NUMBER, "mm", "Left empty: by s_n, else 0.05"),
            Field("switching_hz", "Rated switching frequency", Kind.NUMBER, "Hz"),
            Field("delay_mismatch_us", "One switches later than the other by", Kind.NUMBER, "µs", "Left empty: 100"),
            Field("delay_u_us", "Once learnt, what is left of that", Kind.NUMBER, "µs", "Left empty: not learnt"),
            Field("mount_u_mm", "Creep of the mounts", Kind.NUMBER, "mm", "Standard uncertainty. Left empty: 0.05"),
            Field("spacing_u_mm", "How well the spacing will be known", Kind.NUMBER, "mm", "Left empty: 0.5, a tape"),
            Field("whole_pitches", "Whole pitches between them, n", Kind.WHOLE, help="Left empty: the plan chooses"),
            Field("offset_pitches", "Part of a pitch that is over, d", Kind.NUMBER, "pitches", "Left empty: likewise"),
            Field("up_to_driver_mm", "From up to the driver", Kind.NUMBER, "mm", "Left empty: likewise"),
        ),
        folded=True,
    ),
    Group(
        "Device",
        (
            Field("tick_ns", "Length of a tick", Kind.WHOLE, "ns", "Left empty: 1000"),
            Field("stamp_jitter_us", "Scatter of a time stamp beside it", Kind.NUMBER, "µs", "Left empty: 0"),
            Field("window_s", "Length of a window", Kind.NUMBER, "s", "Left empty: a lap at the lowest speed"),
            Field("reduced", "Sends mean lags in place of pulses", Kind.FLAG),
            Field("two_clocks", "Two devices, each with a clock of its own", Kind.FLAG),
            Field("sync_error_us", "Two clocks are apart by", Kind.NUMBER, "µs", "Left empty: 1000"),
        ),
        folded=True,
    ),
    Group(
        "Temperature, load, new chain",
        (
            Field("temperature_sent", "Temperatures of chain and mount will be sent", Kind.FLAG),
            Field("temp_range_k", "Else assume ±", Kind.NUMBER, "K", "Left empty: 15"),
            Field("mount_expansion_per_k", "Expansion of the mount", Kind.NUMBER, "per K", "Left empty: 11.7e-6, steel"),
            Field("load_sent", "The tension will be sent", Kind.FLAG),
            Field("load_swing_n", "The pull swings by ±", Kind.NUMBER, "N"),
            Field("strain_pct_per_kn", "Elastic strain", Kind.NUMBER, "% per kN", "Left empty: by the chain's strength"),
            Field("load_u_pct", "Where the swing is not known, assume", Kind.NUMBER, "%", "Left empty: 0.02"),
            Field("e0_u_pct", "How well the new chain's length is known", Kind.NUMBER, "%", "Left empty: by its tolerance"),
        ),
        folded=True,
    ),
)  # fmt: skip
ALL_FIELDS = tuple(each for group in GROUPS for each in group.fields)
LABELS = {each.name: each.label for each in ALL_FIELDS}
EXAMPLE = "designation=16B-1&driver_teeth=19&driven_teeth=57&pitches_in_loop=122&strand_mm=1200&speed_min_m_s=0.8&speed_max_m_s=1.6"


@router.get("/plan", response_class=HTMLResponse)
def plan_page(request: Request) -> Response:
    """The form; with anything filled in, the plan above it. Empty fields are taken out of the address."""
    asked = [(name, text.strip()) for name, text in request.query_params.multi_items()]
    filled = [(name, text) for name, text in asked if text]
    if len(filled) < len(asked):
        return RedirectResponse(f"/plan?{urlencode(filled)}" if filled else "/plan", 303)
    typed = dict(filled)
    wrong = Wrong()
    plan = planned(typed, wrong) if typed else None
    values: dict[str, Any] = {
        "inch": inch_words,
        "typed": typed,
        "wrong": wrong,
        "groups": GROUPS,
        "used": {group.title for group in GROUPS if any(each.name in typed for each in group.fields)},
        "example": EXAMPLE,
        "plan": plan,
        "query": urlencode(filled),
    }
    if plan is not None:
        values |= _shown(plan)
    return render(request, "plan.html", values, status=422 if wrong else 200)


def planned(typed: Mapping[str, str], wrong: Wrong) -> Plan | None:
    """Return the plan of what was typed; None, and in `wrong` why, where there is none."""
    unknown = sorted(set(typed) - {each.name for each in ALL_FIELDS})
    if unknown:
        wrong.above = (
            f"the address asks for {', '.join(unknown)[:100]}, which is no field of a plan: take it out"
        )
        return None
    values, wrong.fields = forms.values_of(ALL_FIELDS, typed)
    if wrong:
        return None
    try:
        return plan_sensors(layout_of(**values))
    except FieldsRefusedError as error:
        wrong.fields = dict(error.problems)
        return None


def _shown(plan: Plan) -> dict[str, Any]:
    """What the page says of a plan, in words and pictures."""
    chief = {each.value: each for each in plan.expected}
    return {
        "layout": plan.layout,
        "limit_words": words.limit_words(planned_drive(plan.layout), plan.limit),
        "picture": draw_place(plan.place),
        "budgets": [
            (VALUE_WORDS[value], chief[value], draw_budget(bars(chief[value]), VALUE_WORDS[value]))
            for value in (Value.ABSOLUTE, Value.CHANGE)
        ],
        "expected": chief,
        "expanded": {value.value: f"{2 * each.combined_pct:.2g}" for value, each in chief.items()},
        "new": {each.value: each for each in plan.expected_new},
        "value_words": VALUE_WORDS,
        "term_words": TERM_WORDS,
        "tick_words": tick_words,
        "seconds_words": seconds_words,
        "labels": LABELS,
        "drive_query": drive_query(plan),
    }


def drive_query(plan: Plan) -> str:
    """Return the query that fills in the form of a new drive as planned."""
    layout = plan.layout
    free = layout.pitch_mm if not layout.designation or layout.designation.startswith("M") else None
    given = {
        "whole_pitches": layout.whole_pitches,
        "offset_pitches": layout.offset_pitches or None,
        "spacing_u_mm": layout.spacing_u_mm,
        "driver_teeth": layout.driver_teeth,
        "driven_teeth": layout.driven_teeth,
        "up_to_driver_mm": layout.up_to_driver_mm,
        "fixed_centres": layout.fixed_centres,
        "parallel_strands": layout.parallel_strands,
        "own_limit_pct": layout.own_limit_pct,
        f"{forms.CHAIN_PREFIX}designation": layout.designation,
        f"{forms.CHAIN_PREFIX}pitch_mm": free,
        f"{forms.CHAIN_PREFIX}pitches_in_loop": layout.pitches_in_loop,
    }
    typed = {name: forms.text_of(value) for name, value in given.items()}
    return urlencode({name: text for name, text in typed.items() if text})
