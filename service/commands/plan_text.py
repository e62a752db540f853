"""A plan as text for a terminal.

Knows how people read it; must not know how it was reckoned. Lines stay within 118 columns.
"""

import math
import shlex
import textwrap
from collections.abc import Iterator, Sequence

from service.core.plan import (
    TERM_WORDS,
    VALUE_WORDS,
    Choice,
    Expected,
    Improvement,
    Layout,
    Needs,
    Place,
    Plan,
    seconds_words,
    tick_words,
)

COLUMNS = 118
CAUTIONS = (
    "Stop the drive, lock it out and tag it out, and try that it does not start. Let stored energy out: tensioned chain, "
    "take-up weights and springs, raised loads. Mount sensors and cables behind the guard, or through it without weakening "
    "it, and put guards back before it runs. Never measure by hand on a running drive. Local codes, the plant's rules and "
    "people licensed for the work come first. linklag is a maintenance aid and no safety function."
)


def as_text(plan: Plan) -> str:
    """Return the whole plan as lines of text."""
    sections = (
        _head(plan),
        ["Before anyone goes near the drive", *_wrapped(CAUTIONS)],
        ["Where to mount", *_rows(_where(plan.place, plan.pitches))],
        ["What the lag will do", *_rows(_lag(plan))],
        ["What sensor and device must be able to do", *_rows(_needed(plan.needs, plan.layout))],
        _uncertainty(plan),
        *(_halving(improvement) for improvement in plan.improvements),
        _remarks(plan),
        ["To register the drive as planned", *_wrapped(register_command(plan.layout))],
    )
    return "\n\n".join("\n".join(lines) for lines in sections if lines)


def _head(plan: Plan) -> list[str]:
    layout = plan.layout
    chain = (
        f"{layout.designation}, {layout.pitch_mm:g} mm"
        if layout.designation
        else f"{layout.pitch_mm:g} mm chain"
    )
    teeth = [
        f"{name} {teeth} teeth"
        for name, teeth in (("driver", layout.driver_teeth), ("driven", layout.driven_teeth))
        if teeth is not None
    ]
    absolute, change = (f"{2 * each.combined_pct:.2g} %" for each in plan.expected[:2])
    over = f" and {layout.offset_pitches:g} over" if layout.offset_pitches else ""
    return [
        ", ".join((f"Two sensors on {chain}", *teeth, speeds(layout))),
        f"Limit {plan.limit.limit_pct:.2f} % ({plan.limit.term.value.replace('_', ' ')})",
        f"Set them {plan.pitches.chosen} pitches{over} apart: {plan.place.spacing_mm:.1f} mm",
        f"A reading will be good to ± {absolute} against nominal, ± {change} since commissioning (95 %, k = 2)",
    ]


def speeds(layout: Layout) -> str:
    """Return the range of speeds in words."""
    low, high = layout.speed_min_m_s, layout.speed_max_m_s
    return f"{low:.3g} m/s" if low == high else f"{low:.3g} to {high:.3g} m/s"


def _where(place: Place, pitches: Choice) -> Iterator[tuple[str, str]]:
    yield "spacing, middle to middle", f"{place.spacing_mm:.1f} mm along the strand"
    yield (
        "up to the driver",
        f"{place.up_to_driver_mm:.1f} mm along the strand, to where the chain meets the sprocket",
    )
    yield "down to the driver", f"{place.down_to_driver_mm:.1f} mm"
    if place.driven_to_up_mm is not None:
        yield "driven sprocket to up", f"{place.driven_to_up_mm:.1f} mm"
    yield (
        "clear of either sprocket",
        f"{place.clearance_mm:.0f} mm or more; strand needed {place.strand_needed_mm:.0f} mm",
    )
    yield "pitches that would do", f"even, {pitches.least} to {pitches.most}{_why_most(pitches)}"
    yield "without any history", f"up to {pitches.without_history}: a first reading is never ambiguous"
    yield "with the last elongation", f"up to {pitches.with_history}"


def _why_most(pitches: Choice) -> str:
    if pitches.fits is not None and pitches.fits <= pitches.to_limit:
        return " (more do not fit on the strand)"
    return " (unique up to the limit)"


def _lag(plan: Plan) -> Iterator[tuple[str, str]]:
    place = plan.place
    yield "of new chain", f"{place.lag_new_pitches:.2f} pitch"
    yield (
        "at the limit",
        f"{place.lag_limit_pitches:.2f} pitch, having fallen by {place.lag_travel_pitches:.2f}",
    )
    yield "comes round", f"at {place.wrap_pct:.2f} % for the first time"
    if plan.layout.driver_teeth is not None:
        yield "polygon effect", f"up to {place.polygon_most_pct:.4f} % as it wears, before it is taken off"
        yield (
            "",
            f"none where the lag is whole: at {place.whole_at_limit_mm:.1f} mm that would be so at the limit",
        )


def _needed(needs: Needs, layout: Layout) -> Iterator[tuple[str, str]]:
    yield "joints", f"{needs.joint_rate_min_hz:.3g} to {needs.joint_rate_max_hz:.3g} a second"
    yield (
        "rated switching frequency",
        f"{math.ceil(needs.switching_hz)} Hz or more, three times the joint rate",
    )
    if needs.on_s is not None and needs.off_s is not None:
        yield (
            "a roller holds it on",
            f"{1000 * needs.on_s:.3g} ms at least, and off {1000 * needs.off_s:.3g} ms",
        )
        yield "", "input filters of the device must be well below the shorter one"
    yield "both sensors", "same model, same gap, same edge, one clock"
    yield "tick", f"{tick_words(needs.tick_ns)} or less"
    lap = (
        f"; a lap at {layout.speed_min_m_s:.3g} m/s takes {seconds_words(needs.lap_s)}"
        if needs.lap_s is not None
        else ""
    )
    yield "window", f"{needs.window_s:g} s{lap}; {seconds_words(needs.window_least_s)} at the very least"


def _uncertainty(plan: Plan) -> list[str]:
    limit_pct = plan.limit.limit_pct
    head = ("", *(column_words(each) for each in plan.expected))
    names = [name for name in TERM_WORDS if any(round(each.u_pct(name), 4) for each in plan.expected)]
    names.sort(key=lambda name: -max(each.u_pct(name) for each in plan.expected[:2]))
    unseen = {term.name for term in plan.expected[0].terms if not term.stated}
    rows = [
        (
            TERM_WORDS[name] + (" *" if name in unseen else ""),
            *(_u(each.u_pct(name)) for each in plan.expected),
        )
        for name in names
    ]
    rows += [
        ("a reading will state", *(_u(each.stated_pct) for each in plan.expected)),
        ("in all", *(_u(each.combined_pct) for each in plan.expected)),
        ("in all, new chain", *(_u(each.combined_pct) for each in plan.expected_new)),
    ]
    width = max(len(row[0]) for row in rows)
    table = [f"  {row[0]:<{width}}" + "".join(f"{cell:>16}" for cell in row[1:]) for row in (head, *rows)]
    most = (
        f"  Most of it {column_words(each)}: {TERM_WORDS[each.largest.name]}, {100 * each.largest_share:.0f} % of the variance"
        for each in plan.expected[:2]
    )
    return [
        f"Standard uncertainty of one reading (k = 1), per cent of elongation, at {limit_pct:.2f} % and the worse end of the speeds",
        *table,
        *most,
        "  * no reading can see it, so it does not state it. JCGM 100:2008 (GUM), 5.1.2: root of the sum of squares",
    ]


def column_words(expected: Expected) -> str:
    """Return the short head of a column of uncertainties."""
    return {"absolute": "against nominal", "change": "since start", "by_spacing": "no baseline"}[
        expected.value
    ]


def _u(u_pct: float) -> str:
    return f"{u_pct:.4f}" if round(u_pct, 4) else "-"


def _halving(improvement: Improvement) -> list[str]:
    now, half = improvement.now_pct, improvement.now_pct / 2
    said = VALUE_WORDS[improvement.value]
    lines = [f"What to change: {said}, {now:.4f} % now, half is {half:.4f} %"]
    if improvement.halved:
        lines.append("  Halved by" + (" all of these together:" if len(improvement.together) > 1 else ":"))
    elif improvement.together:
        lines.append("  Nothing here halves it; these together leave least:")
    else:
        lines.append("  Nothing here makes it much better.")
    lines += _changes(improvement, alone=False)
    if improvement.alone:
        lines += ["  Each alone, best first:", *_changes(improvement, alone=True)]
    return lines


def _changes(improvement: Improvement, *, alone: bool) -> Iterator[str]:
    for change in improvement.alone if alone else improvement.together:
        first, *rest = textwrap.wrap(change.words, COLUMNS - 14)
        yield f"    {change.combined_pct:.4f}  {first}"
        yield from (f"            {line}" for line in rest)


def _remarks(plan: Plan) -> list[str]:
    if not plan.remarks:
        return []
    lines = ["Look at this twice"]
    for remark in plan.remarks:
        lines += textwrap.wrap(
            f"{remark.field}: {remark.words}", COLUMNS, initial_indent="  - ", subsequent_indent="    "
        )
    return lines


def register_command(layout: Layout) -> str:
    """Return the command that registers the drive as planned; ID is left to be chosen."""
    parts = ["linklag", "drive", "add", "ID", "-n", str(layout.whole_pitches)]
    if layout.offset_pitches:
        parts += ["-d", f"{layout.offset_pitches:g}"]
    parts += ["--spacing-u", f"{layout.spacing_u_mm:g}"]
    if layout.designation:
        parts += ["--chain", shlex.quote(layout.designation)]
    parts += ["--pitch", f"{layout.pitch_mm:g}"]
    for option, value in (
        ("--loop", layout.pitches_in_loop),
        ("--driver-teeth", layout.driver_teeth),
        ("--driven-teeth", layout.driven_teeth),
        ("--up-to-driver", layout.up_to_driver_mm),
        ("--limit", layout.own_limit_pct),
    ):
        if value is not None:
            parts += [option, f"{value:g}"]
    parts += ["--fixed-centres"] * layout.fixed_centres + ["--parallel-strands"] * layout.parallel_strands
    return " ".join(parts)


def _rows(rows: Iterator[tuple[str, str]]) -> list[str]:
    return [f"  {name:<26}{said}".rstrip() for name, said in rows]


def _wrapped(text: str) -> Sequence[str]:
    return textwrap.wrap(
        text,
        COLUMNS,
        initial_indent="  ",
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
