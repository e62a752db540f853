"""What many readings of a drive show together, as of an instant.

Asks the ports for the readings and core for the judgement; keeps nothing, so that the same readings give the same
judgement whenever and by whomever it is asked for. Must not know what follows from it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.core.drive import Baseline, Chain, Drive, baseline_at
from service.core.findings import Finding, cross_check
from service.core.health import Sign, lasting_signs
from service.core.reading import Reading
from service.ports import Readings

SECOND_NS = 1_000_000_000
DENSE_MAX = 720  # newest readings that are looked at one and all: two hours at a batch a 10 s
DENSE_NS = 86_400 * SECOND_NS
PAST_NS = 14 * 86_400 * SECOND_NS  # of which samples are looked at
SAMPLE_EVERY_NS = 4 * 3600 * SECOND_NS
SAMPLE_MAX = 24  # readings in a sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Findings, signs, and the readings that they were judged from."""

    findings: tuple[Finding, ...]
    signs: tuple[Sign, ...]
    recent: Sequence[Reading]  # newest ones, one and all
    past: Sequence[Reading]  # some of the days before


def judge(
    readings: Readings,
    drive: Drive,
    chain: Chain | None,
    baselines: Sequence[Baseline],
    to_ns: int,
    at_ns: int,
) -> Judged:
    """Return what the readings of a drive up to `to_ns` show together.

    Args:
        readings: the store.
        drive: as it is set.
        chain: the one that is on it.
        baselines: of that chain.
        to_ns: end of the newest window that counts.
        at_ns: which baseline is in force, and how far back is looked.
    """
    recent = readings.raw(drive.drive_id, at_ns - DENSE_NS, to_ns, DENSE_MAX)
    past = _samples(readings, drive.drive_id, recent[0].t_ns if recent else at_ns)
    findings: list[Finding] = []
    if chain is not None:
        baseline = baseline_at(baselines, at_ns)
        findings = cross_check([*past, *recent], drive=drive, chain=chain, baseline=baseline)
    signs = lasting_signs(recent, past, findings, chain.pitch_mm if chain else None)
    return Judged(findings=tuple(findings), signs=tuple(signs), recent=recent, past=past)


def _samples(readings: Readings, drive_id: str, before_ns: int) -> list[Reading]:
    """Some readings of each four hours of the last days before an instant, in the order of time.

    The ends of the samples stand still, so that the same readings are looked at again.
    """
    last_ns = -(-before_ns // SAMPLE_EVERY_NS) * SAMPLE_EVERY_NS - SAMPLE_EVERY_NS
    first_ns = (before_ns - PAST_NS) // SAMPLE_EVERY_NS * SAMPLE_EVERY_NS - SAMPLE_EVERY_NS
    return readings.sampled(drive_id, first_ns, last_ns, SAMPLE_EVERY_NS, SAMPLE_MAX)
