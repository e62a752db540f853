"""`linklag plan`: options and help. What is reckoned stands in `service.core.plan`, how it reads in `plan_text`."""

import re
from typing import Annotated, Any

import typer

from service.commands.options import fail

# Where an option is not called as the field of core that it fills.
OPTIONS = {
    "designation": "--chain",
    "pitch_mm": "--pitch",
    "pitches_in_loop": "--loop",
    "speed_min_m_s": "--speed",
    "speed_max_m_s": "--speed",
    "rpm_min": "--rpm",
    "rpm_max": "--rpm",
    "strand_mm": "--strand",
    "own_limit_pct": "--limit",
    "offset_pitches": "--offset",
    "up_to_driver_mm": "--up-to-driver",
    "spacing_u_mm": "--spacing-u",
    "rated_distance_mm": "--rated-distance",
    "repeatability_mm": "--repeatability",
    "delay_mismatch_us": "--delay-mismatch",
    "delay_u_us": "--delay-u",
    "mount_u_mm": "--mount-u",
    "stamp_jitter_us": "--stamp-jitter",
    "sync_error_us": "--sync-error",
    "window_s": "--window",
    "temp_range_k": "--temp-range",
    "mount_expansion_per_k": "--mount-expansion",
    "load_swing_n": "--load-swing",
    "strain_pct_per_kn": "--strain",
    "load_u_pct": "--load-u",
    "e0_u_pct": "--e0-u",
}


def plan(  # noqa: PLR0913 (one option each)
    *,
    chain: Annotated[str, typer.Option(help="Designation of the chain, e.g. 16B-1, 80, M80-160.")] = "",
    pitch: Annotated[
        float | None, typer.Option(metavar="MM", help="Nominal pitch, where no designation says it.")
    ] = None,
    speed: Annotated[
        str, typer.Option(metavar="M/S", help="Chain speeds to be measured at, e.g. 0.8..1.6 or 1.2.")
    ] = "",
    rpm: Annotated[
        str, typer.Option(metavar="RPM", help="The same in rev/min of the driver, e.g. 100..200.")
    ] = "",
    driver_teeth: Annotated[
        int | None, typer.Option(help="Teeth of the sprocket that pulls the measured strand.")
    ] = None,
    driven_teeth: Annotated[int | None, typer.Option(help="Teeth of the other sprocket.")] = None,
    strand: Annotated[
        float | None, typer.Option(metavar="MM", help="Straight, free length of the measured strand.")
    ] = None,
    loop: Annotated[int | None, typer.Option(help="Pitches of the whole chain: its joints, counted.")] = None,
    slack: Annotated[bool, typer.Option("--slack", help="The measured strand is the slack one.")] = False,
    vertical: Annotated[bool, typer.Option("--vertical", help="The drive stands upright or steep.")] = False,
    reverses: Annotated[bool, typer.Option("--reverses", help="The drive runs both ways.")] = False,
    fixed_centres: Annotated[
        bool, typer.Option("--fixed-centres", help="The shafts cannot be moved apart: limit 1.5 %.")
    ] = False,
    parallel_strands: Annotated[
        bool, typer.Option("--parallel-strands", help="Chains that share one load: limit 1.5 %.")
    ] = False,
    limit: Annotated[float | None, typer.Option(metavar="PCT", help="Your own limit, per cent.")] = None,
    whole_pitches: Annotated[
        int | None,
        typer.Option("--whole-pitches", "-n", help="Whole pitches you mean to use; else the plan chooses."),
    ] = None,
    offset: Annotated[
        float | None, typer.Option("--offset", "-d", help="The part of a pitch that is over, 0 to below 1.")
    ] = None,
    up_to_driver: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Place you mean for `up`, along the strand to the driver."),
    ] = None,
    spacing_u: Annotated[
        float | None, typer.Option(metavar="MM", help="How well the spacing will be known (k = 1): 0.5.")
    ] = None,
    rated_distance: Annotated[
        float | None, typer.Option(metavar="MM", help="Rated sensing distance s_n of the switch.")
    ] = None,
    repeatability: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Scatter of its switching place (k = 1), if known: 0.05."),
    ] = None,
    switching_hz: Annotated[float | None, typer.Option(help="Its rated switching frequency.")] = None,
    delay_mismatch: Annotated[
        float | None, typer.Option(metavar="US", help="By how much one switches later than the other: 100.")
    ] = None,
    delay_u: Annotated[
        float | None, typer.Option(metavar="US", help="What is left of that once learnt; else not learnt.")
    ] = None,
    mount_u: Annotated[
        float | None, typer.Option(metavar="MM", help="By how much the mounts creep (k = 1): 0.05.")
    ] = None,
    tick_ns: Annotated[int | None, typer.Option(help="Length of a tick of the device: 1000.")] = None,
    stamp_jitter: Annotated[
        float | None, typer.Option(metavar="US", help="Scatter of its time stamps beside the tick: 0.")
    ] = None,
    two_clocks: Annotated[
        bool, typer.Option("--two-clocks", help="Two devices with a clock each stamp the sensors.")
    ] = False,
    sync_error: Annotated[
        float | None, typer.Option(metavar="US", help="By how much two clocks are apart (k = 1): 1000.")
    ] = None,
    reduced: Annotated[
        bool, typer.Option("--reduced", help="The device sends mean lags in place of pulses.")
    ] = False,
    window: Annotated[
        float | None, typer.Option(metavar="S", help="Length of a batch; else a lap at the lowest speed.")
    ] = None,
    temperature_sent: Annotated[
        bool, typer.Option("--temperature-sent", help="Temperatures of chain and mount will be sent.")
    ] = False,
    temp_range: Annotated[
        float | None, typer.Option(metavar="K", help="Half width assumed where they are not: 15.")
    ] = None,
    mount_expansion: Annotated[
        float | None, typer.Option(metavar="PER_K", help="Of the mount: 11.7e-6 (steel), 23e-6 (aluminium).")
    ] = None,
    load_sent: Annotated[bool, typer.Option("--load-sent", help="The tension will be sent.")] = False,
    load_swing: Annotated[
        float | None, typer.Option(metavar="N", help="Half width of the pull about its mean.")
    ] = None,
    strain: Annotated[
        float | None,
        typer.Option(metavar="PCT_PER_KN", help="Elastic strain; else by the strength of the chain."),
    ] = None,
    load_u: Annotated[
        float | None, typer.Option(metavar="PCT", help="What load does, where its swing is not given: 0.02.")
    ] = None,
    e0_u: Annotated[
        float | None,
        typer.Option(metavar="PCT", help="How well the new chain's length is known; else its tolerance."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the plan as JSON, for programs.")] = False,
) -> None:
    """Plan two sensors before anyone drills a hole: how far apart, where, and how well they will measure.

    Says how many pitches to put between the sensors and why, where along the strand, what sensor and device must be able
    to do, the standard uncertainty to expect with the terms it is made of, and what to change to halve it. Needs no
    settings and no store. The numbers in the list of options are what is reckoned with where an option is left out.

    \b
    Examples:  linklag plan --chain 16B --driver-teeth 19 --driven-teeth 57 --speed 0.8..1.6 --strand 1200 --loop 122
               linklag plan --chain 80 --driver-teeth 17 --rpm 60..180 --strand 900 --rated-distance 4 --switching-hz 500
               linklag plan --pitch 160 --speed 0.2 --strand 6000 --temperature-sent --json

    Before anyone goes to the drive to measure or mount: lock out and tag out, mind stored energy, put guards back.
    """  # noqa: D301 (typer wants the character)
    given = {
        "designation": chain, "pitch_mm": pitch, "pitches_in_loop": loop, "driver_teeth": driver_teeth,
        "driven_teeth": driven_teeth, **_range("speed", "m_s", speed), **_range("rpm", "", rpm), "strand_mm": strand,
        "slack": slack, "vertical": vertical, "reverses": reverses, "fixed_centres": fixed_centres,
        "parallel_strands": parallel_strands, "own_limit_pct": limit, "whole_pitches": whole_pitches,
        "offset_pitches": offset, "up_to_driver_mm": up_to_driver, "spacing_u_mm": spacing_u,
        "rated_distance_mm": rated_distance, "repeatability_mm": repeatability, "switching_hz": switching_hz,
        "delay_mismatch_us": delay_mismatch, "delay_u_us": delay_u, "mount_u_mm": mount_u, "tick_ns": tick_ns,
        "stamp_jitter_us": stamp_jitter, "two_clocks": two_clocks, "sync_error_us": sync_error, "reduced": reduced,
        "window_s": window, "temperature_sent": temperature_sent, "temp_range_k": temp_range,
        "mount_expansion_per_k": mount_expansion, "load_sent": load_sent, "load_swing_n": load_swing,
        "strain_pct_per_kn": strain, "load_u_pct": load_u, "e0_u_pct": e0_u,
    }  # fmt: skip
    from service.commands.plan_text import as_text
    from service.core.fields import FieldsRefusedError
    from service.core.plan import layout_of, plain, plan_sensors

    try:
        planned = plan_sensors(
            layout_of(**{name: value for name, value in given.items() if value is not None})
        )
    except FieldsRefusedError as error:
        lines = (f"{_option(field)}: {problem}" for field, problem in error.problems.items())
        fail("\n".join(dict.fromkeys(lines)), code=2)
    if as_json:
        import json

        typer.echo(json.dumps(plain(planned), indent=2, ensure_ascii=False))
    else:
        typer.echo(as_text(planned))


def _option(field: str) -> str:
    return OPTIONS.get(field, f"--{field.replace('_', '-')}")


def _range(name: str, unit: str, text: str) -> dict[str, Any]:
    """Return lowest and highest of "0.8..1.6", "0.8-1.6" or "1.2", under the names of core; nothing of ""."""
    if not text:
        return {}
    parts = re.split(r"\s*(?:\.\.+|(?<![eE])-|–|\bto\b)\s*", text.strip().replace(",", "."))
    try:
        ends = [float(part) for part in parts]
    except ValueError:
        ends = []
    if len(ends) not in {1, 2}:
        fail(
            f"--{name}: {text[:30]!r} is no range: give lowest..highest, e.g. 0.8..1.6, or one number", code=2
        )
    suffix = f"_{unit}" if unit else ""
    return {f"{name}_min{suffix}": ends[0], f"{name}_max{suffix}": ends[-1]}
