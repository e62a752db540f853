"""How well the map of a chain knows its links, its faults and its place, over drives drawn at random.

    .venv/bin/python tests/bench/chain_map.py [--chains 200] [--seed 2026]

Each chain runs on a drive of its own (pitch 12.7 mm, pulses repeatable to 0.05 mm, speed that wanders, polygon effect) and
sends batches of 2 x 150 pulses, of which 2 % are missed. The truth is the simulator's; joint 0 is found from where its
chain stood at the first pulse.
"""

import argparse
import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parents[2]))

from sensors_sim.chain import SimulatedChain, StiffJoint, WornSection
from sensors_sim.drive import Pulses, SimulatedDrive
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from service.core.chain_faults import Fault, Finding, faults_of
from service.core.chain_map import ChainMap, Folded, Place, begin, fold
from service.core.link_map import LinkMap, map_of

PITCH_MM = 12.7
START_NS = 1_795_000_000_000_000_000
PULSES = 150


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One drive and its chain."""

    pitches: int = 120
    between: float = 24.1
    elongation_pct: float = 1.2
    wear_spread: float = 0.1
    tolerance_pct: float = 0.1
    speed_m_s: float = 1.0
    speed_spread: float = 0.004
    teeth: int | None = 19
    missed: float = 0.02
    spurious_per_s: float = 0.0
    doubled: float = 0.0
    repeatability_mm: float = 0.05
    worn_section: WornSection | None = None
    bad_joint_mm: float = 0.0
    stiff: StiffJoint | None = None
    motion: Motion | None = None
    start_ns: int = START_NS
    seed: int = 1

    @property
    def batch_s(self) -> float:
        """How long a batch of PULSES pulses lasts."""
        return PULSES * PITCH_MM / 1000 / self.speed_m_s

    def drive(self) -> SimulatedDrive:
        """The drive, not yet run."""
        chain = SimulatedChain.make(
            pitch_mm=PITCH_MM,
            pitches=self.pitches,
            elongation_pct=self.elongation_pct,
            manufacture_pct=min(0.06, self.elongation_pct),
            tolerance_pct=self.tolerance_pct,
            wear_spread=self.wear_spread,
            worn_section=self.worn_section,
            bad_joint_mm=self.bad_joint_mm,
            stiff=self.stiff,
            rng=np.random.default_rng((self.seed, 9)),
        )
        sensor = Sensor(
            repeatability_mm=self.repeatability_mm,
            missed=self.missed,
            doubled=self.doubled,
            spurious_per_s=self.spurious_per_s,
        )
        wander = Motion.wander(
            self.speed_m_s, spread=self.speed_spread, correlation_s=4.0, seed=self.seed % 1000
        )
        spacing_mm = self.between * PITCH_MM
        return SimulatedDrive(
            chain=chain,
            motion=self.motion if self.motion is not None else wander,
            spacing_mm=spacing_mm,
            up_to_driver_mm=spacing_mm + (10 + self.seed % 17 / 17) * PITCH_MM,
            teeth=self.teeth,
            up=sensor,
            down=sensor,
            start_ns=self.start_ns,
            seed=self.seed,
        )


class Follower:
    """A drive that runs, and the map that is folded from it; remembers which joint the map calls 0."""

    def __init__(self, setting: Setting, chain_map: ChainMap | None = None) -> None:
        self.setting = setting
        self.drive = setting.drive()
        self.travel_start = self.drive._travel
        self.map = chain_map if chain_map is not None else begin(setting.pitches)
        self.joint_0 = 0
        self.folded: list[Folded] = []
        self.fold_s: list[float] = []

    def run(self, batches: int, batch_s: float | None = None) -> "Follower":
        """Run on for so many batches, each folded as it comes."""
        for _ in range(batches):
            pulses = self.drive.run(batch_s if batch_s is not None else self.setting.batch_s)
            self.take(pulses)
        return self

    def laps(self, laps: float) -> "Follower":
        """Run on for about so many laps."""
        return self.run(round(np.ceil(laps * self.setting.pitches / PULSES)))

    def stand(self, duration_s: float) -> "Follower":
        """Let the drive run without anybody listening."""
        self.drive.run(duration_s)
        return self

    def take(self, pulses: Pulses) -> None:
        """Fold one batch."""
        tick_s = pulses.tick_ns * 1e-9
        before = self.map
        began = time.perf_counter()
        self.map, folded = fold(
            before,
            up_s=np.multiply(pulses.up_ticks, tick_s),
            down_s=np.multiply(pulses.down_ticks, tick_s),
            t0_ns=pulses.t0_ns,
            pitches_between=pulses.true_pitches_between,
        )
        self.fold_s.append(time.perf_counter() - began)
        self.folded.append(folded)
        if folded.place in {Place.BEGUN, Place.BEGUN_AGAIN, Place.OTHER} and self.map.at_ns is not None:
            self.joint_0 = self.true_joint_at_last_pulse() - self.map.joint

    def true_joint_at_last_pulse(self) -> int:
        """Number in the simulated chain of the joint that stood at `up` when the map's last pulse came."""
        assert self.map.at_ns is not None
        drive = self.drive
        t_s = (self.map.at_ns - self.setting.start_ns) * 1e-9
        per_m = 1000 / drive._start_pitch_mm
        travel = self.travel_start + sum(
            stretch.sign * float(stretch.travel[-1])
            for stretch in drive.motion.stretches(0.0, t_s, per_m=per_m)
        )
        at_up_mm = float(drive._driver.displacement_mm(np.array([travel]))[0]) + drive.up_to_driver_mm
        near = drive._driver.joints_up_to(at_up_mm)
        joints = np.arange(near - 2, near + 2)
        return int(joints[np.argmin(np.abs(drive._driver.place_mm(joints) - at_up_mm))])

    @property
    def places(self) -> Counter[str]:
        """How the batches were placed."""
        return Counter(folded.place.value for folded in self.folded)

    @property
    def in_place(self) -> bool:
        """Whether the map's numbering of the joint at `up` is that of the chain."""
        return (self.true_joint_at_last_pulse() - self.joint_0 - self.map.joint) % self.setting.pitches == 0

    def links(self) -> LinkMap:
        """The map of the links; the mean is the true one."""
        links = map_of(self.map, self.drive.chain.mean_elongation_pct, self.setting.teeth)
        assert links is not None
        return links

    def true_pct(self) -> npt.NDArray[np.float64]:
        """Elongation of each link, in the map's numbering."""
        return np.roll(100 * (self.drive.chain.links_mm / PITCH_MM - 1), -self.joint_0)

    def true_link(self, link: int) -> int:
        """The map's number of a link (or joint) of the simulated chain."""
        return (link - self.joint_0) % self.setting.pitches

    def faults(self) -> list[Finding]:
        """What is found wrong."""
        return faults_of(self.links(), PITCH_MM)


def drawn(rng: np.random.Generator, **more: Any) -> Setting:
    """A drive drawn at random."""
    pitches = 2 * int(rng.integers(30, 121))
    setting = Setting(
        pitches=pitches,
        between=float(rng.uniform(8, min(40, pitches / 2.5))),
        elongation_pct=float(rng.uniform(0.06, 3.0)),
        wear_spread=float(rng.choice([0.05, 0.1, 0.2])),
        speed_m_s=float(rng.uniform(0.3, 3.0)),
        speed_spread=float(rng.choice([0.002, 0.01])),
        teeth=int(rng.integers(9, 31)),
        seed=int(rng.integers(1, 2**31)),
    )
    return replace(setting, **more)


def links_row(laps: float, chains: int, seed: int) -> str:
    """Errors of single links and of runs of 20 against what is stated."""
    rng = np.random.default_rng((seed, 1))
    errors, stated, within, run_within = [], [], [], []
    for _ in range(chains):
        follower = Follower(drawn(rng)).laps(laps)
        links = follower.links()
        error = links.elongation_pct - follower.true_pct()
        errors.append(error)
        stated.append(links.u_pct)
        within.append(np.abs(error) <= 1.96 * links.u_pct)
        runs = np.convolve(np.concatenate((error, error[:19])), np.full(20, 1 / 20), "valid")
        run_within.append(np.abs(runs) <= 1.96 * links.run_u_pct(20))
    all_errors, all_u = np.concatenate(errors), np.concatenate(stated)
    return (
        f"| {laps:.0f} | {np.sqrt((all_errors**2).mean()):.3f} | {np.sqrt((all_u**2).mean()):.3f} "
        f"| {100 * np.concatenate(within).mean():.1f} % | {100 * np.concatenate(run_within).mean():.1f} % |"
    )


def sound_row(chains: int, seed: int) -> str:
    """Findings on sound chains."""
    rng = np.random.default_rng((seed, 2))
    named: Counter[str] = Counter()
    chains_named = 0
    for _ in range(chains):
        faults = Follower(drawn(rng)).laps(20).faults()
        named.update(finding.fault.value for finding in faults)
        chains_named += bool(faults)
    return f"sound chains: {chains_named} of {chains} with a finding {dict(named) or ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A fault: what is done to the chain, what is to be found, and how far off the place may be, links."""

    fault: Fault
    link: int  # of the simulated chain; of a joint out of place, the link before it
    links: int
    slack: int
    changes: dict[str, Any]


def cases(pitches: int) -> dict[str, Case]:
    """The faults that are tried."""
    worn, new = (WornSection(first_joint=30, joints=20, factor=factor) for factor in (4.0, 0.0))
    return {
        "one joint 1 mm long": Case(
            fault=Fault.LONG_LINK,
            link=_odd_before(pitches // 2),
            links=1,
            slack=0,
            changes={"bad_joint_mm": 1.0},
        ),
        "20 joints worn fourfold": Case(
            fault=Fault.WORN_SECTION, link=29, links=21, slack=2, changes={"worn_section": worn}
        ),
        "20 joints new": Case(
            fault=Fault.NEW_SECTION, link=29, links=21, slack=4, changes={"worn_section": new}
        ),
        "stiff joint, 0.8 mm at the sprocket": Case(
            fault=Fault.STIFF_JOINT,
            link=39,
            links=2,
            slack=0,
            changes={"stiff": StiffJoint(joint=40, shift_mm=0.8)},
        ),
        "joint 0.6 mm out of place at both": Case(
            fault=Fault.JOINT_OUT_OF_PLACE,
            link=39,
            links=2,
            slack=0,
            changes={"stiff": StiffJoint(joint=40, shift_mm=-0.6, straightens_mm=float("inf"))},
        ),
        "cranked link": Case(
            fault=Fault.CRANKED_LINK, link=pitches, links=1, slack=0, changes={"pitches": pitches + 1}
        ),
    }


def _odd_before(joint: int) -> int:
    """The outer (odd) link that a joint belongs to."""
    return joint if joint % 2 else joint - 1


def right(follower: Follower, case: Case, finding: Finding) -> bool:
    """Whether a finding is the fault that is there, in its place."""
    pitches = follower.setting.pitches
    start_off = (finding.first_link - follower.true_link(case.link) + pitches // 2) % pitches - pitches // 2
    end_off = start_off + finding.links - case.links
    return finding.fault is case.fault and max(abs(start_off), abs(end_off)) <= case.slack


def faults_row(name: str, chains: int, seed: int) -> str:
    """How often a fault is found in its place, and what else is named."""
    rng = np.random.default_rng((seed, 3))
    found = more = 0
    for _ in range(chains):
        setting = drawn(rng, elongation_pct=float(rng.uniform(0.8, 2.0)))
        case = cases(setting.pitches)[name]
        follower = Follower(replace(setting, **case.changes)).laps(20)
        hits = [right(follower, case, finding) for finding in follower.faults()]
        found += any(hits)
        more += len(hits) - sum(hits) > 0
    return f"| {name} | {found} of {chains} | {more} |"


def place_rows(chains: int, seed: int) -> list[str]:
    """What becomes of the place after a gap, and after the chain was exchanged for another of the same wear."""
    rng = np.random.default_rng((seed, 4))
    after_gap: Counter[str] = Counter()
    exchanged: Counter[str] = Counter()
    building: Counter[str] = Counter()
    for _ in range(chains):
        setting = drawn(rng, elongation_pct=float(rng.choice([0.06, 0.3, 1.0, 2.5])))
        follower = Follower(setting).laps(20)
        building.update(follower.places)
        kept, joint_0 = follower.map, follower.joint_0
        follower.stand(float(rng.uniform(50, 500)) * setting.batch_s)
        after_gap[_sought(follower, joint_0)] += 1
        other = replace(setting, seed=setting.seed + 1, start_ns=START_NS + 10**14)
        exchanged[_sought(Follower(other, kept), None)] += 1
    return [
        f"while the map is built: {dict(building)}",
        f"after a gap: {dict(after_gap)}",
        f"after the chain was exchanged: {dict(exchanged)}",
    ]


def _sought(follower: Follower, joint_0: int | None) -> str:
    """What the next batches, up to 20 laps of them, come to."""
    for _ in range(round(np.ceil(20 * follower.setting.pitches / PULSES))):
        follower.run(1)
        place = follower.folded[-1].place
        if place in {Place.OTHER, Place.BEGUN_AGAIN}:
            return "another chain" if place is Place.OTHER else "begun again"
        if not follower.map.lost and follower.folded[-1].joint is not None:
            return "found" if joint_0 is not None and follower.in_place else "WRONG"
    return "still sought"


def time_row() -> str:
    """Time of one fold of 2 x 150 pulses."""
    texts = []
    for missed in (0.0, 0.02):
        follower = Follower(Setting(missed=missed)).run(80)
        texts.append(f"{100 * missed:.0f} % missed {1e3 * float(np.median(follower.fold_s[20:])):.2f} ms")
    return f"one fold of 2 x {PULSES} pulses: {', '.join(texts)}"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--chains", type=int, default=200)
    parser.add_argument("--seed", type=int, default=2026)
    arguments = parser.parse_args()
    print(
        "| laps | rms error of a link, % | stated | 95 % holds | 95 % of 20 links holds |\n|---|---|---|---|---|"
    )
    for laps in (5, 20, 80):
        print(links_row(laps, max(10, arguments.chains // 4), arguments.seed), flush=True)
    print(sound_row(arguments.chains, arguments.seed), flush=True)
    print("| fault | found in its place | chains with another finding |\n|---|---|---|")
    for name in cases(120):
        print(faults_row(name, max(10, arguments.chains // 4), arguments.seed), flush=True)
    print(*place_rows(arguments.chains, arguments.seed), sep="\n", flush=True)
    print(time_row())


if __name__ == "__main__":
    main()
