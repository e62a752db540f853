"""What the register would be told of the simulated drives: a TOML file that the service imports.

Knows the names of the register's fields from its documentation; holds no truth, only what a fitter wrote down.
"""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import tomli_w

from sensors_sim.setup import DriveSetup

_AGE = timedelta(days=400)  # how long ago the chains were fitted
_COMMISSIONED = timedelta(days=60)  # how long ago the sensors were set up on them


def register_toml(drives: Iterable[DriveSetup], *, seed: int, now_ns: int) -> str:
    """Return a TOML document with one table `[[drive]]` for each drive that is registered.

    A table holds the drive's own fields, those of its chain with `chain_` before them, and those of its baseline with
    `baseline_` before them. The chains were fitted 400 days before `now_ns`, the baselines taken 60 days before.
    """
    now = datetime.fromtimestamp(now_ns // 1_000_000_000, UTC)
    rows = [_row(drive, seed, now) for drive in drives if drive.registered]
    return tomli_w.dumps({"drive": rows})


def _row(drive: DriveSetup, seed: int, now: datetime) -> dict[str, object]:
    """Return one table; what is unknown or empty is left out."""
    written = drive.commissioning(seed)
    around = drive.surroundings
    row: dict[str, object | None] = {
        "drive_id": drive.drive_id,
        "name": drive.name,
        "site": drive.site,
        "area": drive.area,
        "line": drive.line,
        "drive_class": drive.drive_class,
        "whole_pitches": drive.whole_pitches,
        "offset_pitches": drive.offset_pitches,
        "spacing_u_mm": 0.5,
        "driver_teeth": drive.driver_teeth,
        "driven_teeth": drive.driven_teeth,
        "up_to_driver_mm": round(drive.up_to_driver_mm, 1),
        "fixed_centres": drive.fixed_centres,
        "own_limit_pct": drive.own_limit_pct,
        "temp_ref_c": around.reference_c,
        "load_ref_n": around.reference_load_n if drive.device.sends_load else None,
        "strain_pct_per_kn": around.strain_pct_per_kn if drive.device.sends_load else None,
        "note": drive.note,
        "chain_id": f"{drive.drive_id}-1",
        "chain_designation": drive.designation,
        "chain_pitch_mm": drive.pitch_mm,
        "chain_pitches_in_loop": drive.pitches_in_loop,
        "chain_fitted_utc": _rfc3339(now - _AGE),
        "baseline_pitches_between": written.pitches_between,
        "baseline_pitches_between_u": written.pitches_between_u,
        "baseline_elongation_pct": written.elongation_pct,
        "baseline_elongation_u_pct": written.elongation_u_pct,
        "baseline_taken_utc": _rfc3339(now - _COMMISSIONED),
        "baseline_recorded_by": "commissioning",
        "baseline_why": "Measured by hand on the tight strand when the sensors were set up.",
    }
    return {key: value for key, value in row.items() if value is not None and value != ""}


def _rfc3339(instant: datetime) -> str:
    return f"{instant:%Y-%m-%dT%H:%M:%SZ}"
