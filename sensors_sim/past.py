"""What the people of an invented plant wrote down before the simulation starts: chains that came off, measurements by hand, prices.

All of it is made up, as the plant is, from what its drives are said to be now: measurements are on the straight way that a chain
went since it was fitted, read to half a millimetre as with a steel rule. Holds no pulses: nobody had sensors then.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass

from sensors_sim.setup import DriveSetup

FITTED_DAYS = 400  # ago, each chain that is on, as `register` says
MEASURED_EVERY_DAYS = 60
_TO_MM = 0.5  # a steel rule is read to this
_BEDDING_PCT = 0.06  # that a chain gains in its first weeks


@dataclass(frozen=True, slots=True, kw_only=True)
class PastChain:
    """A chain that is off: fitted and taken off so many days ago, why, and how long it was then."""

    drive_id: str
    fitted_days: int
    off_days: int
    ended: str  # worn, broken or planned
    elongation_pct: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Supplied:
    """What it takes to get and change chains of a scope. Prices in a currency that the plant pays in."""

    scope: str  # site, class, designation or drive
    name: str
    lead_days: int
    chain_price: float | None = None
    change_price: float | None = None
    stop_hour_price: float | None = None
    unplanned_h: float | None = None
    currency: str | None = None
    stock_number: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Something that is being done to a drive, under a work order."""

    drive_id: str
    kind: str
    why: str
    work_order: str
    since_h: float  # ago


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """Upkeep of a drive, so many days ago."""

    drive_id: str
    kind: str
    days: int
    note: str
    lubricant: str = ""  # from then on, where it is another


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """All that was written down of one plant. `by_hand`: drives that somebody goes round to measure."""

    chains: tuple[PastChain, ...] = ()
    supplied: tuple[Supplied, ...] = ()
    jobs: tuple[Job, ...] = ()
    upkeep: tuple[Done, ...] = ()
    by_hand: tuple[str, ...] = ()


BRICKWORKS_PAST = Past(
    chains=(
        PastChain(
            drive_id="setting-conveyor", fitted_days=1290, off_days=870, ended="worn", elongation_pct=3.04
        ),
        PastChain(
            drive_id="setting-conveyor",
            fitted_days=870,
            off_days=FITTED_DAYS,
            ended="worn",
            elongation_pct=2.91,
            note="rollers blue from running dry at the tail",
        ),
        PastChain(
            drive_id="kiln-exit-transfer",
            fitted_days=1020,
            off_days=FITTED_DAYS,
            ended="worn",
            elongation_pct=2.76,
        ),
        PastChain(
            drive_id="dryer-conveyor",
            fitted_days=1500,
            off_days=FITTED_DAYS,
            ended="planned",
            elongation_pct=1.30,
            note="changed along with the slats",
        ),
        PastChain(
            drive_id="pallet-conveyor",
            fitted_days=760,
            off_days=FITTED_DAYS,
            ended="broken",
            elongation_pct=1.42,
            note="a pallet jammed under the guide",
        ),
        PastChain(
            drive_id="wire-cutter", fitted_days=905, off_days=FITTED_DAYS, ended="worn", elongation_pct=1.53
        ),
    ),
    supplied=(
        Supplied(
            scope="site",
            name="Marrowdale brick works",
            lead_days=42,
            change_price=380.0,
            stop_hour_price=1450.0,
            unplanned_h=5.0,
            currency="EUR",
        ),
        Supplied(
            scope="designation",
            name="08B-1",
            lead_days=0,
            chain_price=96.0,
            currency="EUR",
            stock_number="S 114-08",
        ),
        Supplied(scope="designation", name="24B-1", lead_days=56, chain_price=1870.0, currency="EUR"),
    ),
    jobs=(
        Job(
            drive_id="pallet-conveyor",
            kind="inspection",
            why="Sensors miss pulses: gap and cables to be looked at",
            work_order="W-2231",
            since_h=3,
        ),
    ),
    upkeep=(
        Done(
            drive_id="setting-conveyor",
            kind="lubricant_changed",
            days=640,
            lubricant="ISO VG 150",
            note="in place of ISO VG 100",
        ),
        Done(drive_id="wire-cutter", kind="lubricated", days=20, note=""),
        Done(drive_id="bucket-elevator", kind="tension_set", days=33, note="take-up moved out by 40 mm"),
    ),
    by_hand=("wire-cutter", "bucket-elevator", "kiln-car-pusher", "kiln-exit-transfer"),
)

PASTS: dict[str, Past] = {"brickworks": BRICKWORKS_PAST}


def past_json(past: Past, drives: Iterable[DriveSetup]) -> str:
    """Return it all as one JSON object: chains, supplied, jobs, upkeep, and measured, in days and hours before now."""
    by_id = {each.drive_id: each for each in drives}
    lists = {
        name: [asdict(each) for each in getattr(past, name)]
        for name in ("chains", "supplied", "jobs", "upkeep")
    }
    measured = [row for drive_id in past.by_hand for row in _measured(by_id[drive_id])]
    return json.dumps({**lists, "measured": measured}, indent=1)


def _measured(drive: DriveSetup) -> Iterator[dict[str, object]]:
    """Yield what was read by rule on a drive, the oldest first: its place on the straight way to what it is now."""
    pitches = max(8, round(600 / drive.pitch_mm) // 2 * 2)
    start_pct = drive.new_pct + _BEDDING_PCT
    for days in range(FITTED_DAYS - 25, 0, -MEASURED_EVERY_DAYS):
        share = (FITTED_DAYS - days) / FITTED_DAYS
        elongation_pct = start_pct + (drive.elongation_pct - start_pct) * share
        length_mm = pitches * drive.pitch_mm * (1 + elongation_pct / 100)
        yield {
            "drive_id": drive.drive_id,
            "days": days,
            "pitches": pitches,
            "length_mm": round(length_mm / _TO_MM) * _TO_MM,
        }
