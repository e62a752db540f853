"""What is wrong with a chain, link by link, and where: read from the map of its links.

Knows lengths of links and how sure they are; must not know pulses, nor where the chain stands now. A fault is named only
where it is larger than the measurement, the chain's own spread from link to link, and what a fitter would care
for (`LINK_MIN_PCT`, `SECTION_MIN_PCT`). What stays below is no finding: a sound chain has none.

Links are compared with their like: inner with inner, outer with outer. A single link stands out from its like beside it,
a section from the rest of the chain.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from service.core.link_map import LinkMap

Floats = npt.NDArray[np.float64]
Joints = npt.NDArray[np.int64]

LINK_MIN_PCT = 1.0  # of the pitch, by which a single link or joint must stand out
SECTION_MIN_PCT = 0.3  # of its length, by which a section must be longer or shorter than the rest
SECTION_LINKS_MIN = 4
FAULTS_MAX = 12
_LINK_SIGMAS = 6.5  # two-sided 8e-11 for a normal spread
_SECTION_SIGMAS = 8.0  # over every start and length of a section, with a spread that is itself only estimated
_ENDS_LINKS = 2  # by which either end of a section may lie further out: its last joint wears one link by half
_CRANKED_SIGMAS = 4.0  # by which one place of the cranked link must explain the links better than any other
_BESIDE = 11  # links of the like, around a link, that it is compared with
_WEAR_MIN_PCT = 0.3  # less is no measure of how links differ
_WEAR_TIMES_MAX = 5.0
_AS_NEW_PCT = 0.25  # new chain is within 0 to 0.15 % of nominal (ISO 606, from memory); the rest is for the mean's error


class Fault(StrEnum):
    """What a finding is."""

    LONG_LINK = "long_link"
    SHORT_LINK = "short_link"
    WORN_SECTION = "worn_section"
    NEW_SECTION = "new_section"
    STIFF_JOINT = "stiff_joint"
    JOINT_OUT_OF_PLACE = "joint_out_of_place"
    CRANKED_LINK = "cranked_link"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault: where it is, how large, how sure, and what it is in a fitter's words.

    `first_link`, `links`: link j lies between joints j and j + 1; of a joint out of place, the link before it and the one
    after. `from_mm`: along the chain from joint 0 to the first link. `excess_mm`: how much longer all its links
    together are than as many of their like (negative: shorter), of a section whatever of it lies beyond its ends, which are
    known to two links either way, with them; of a joint out of place, how far it lies late in its row
    at `up`. `u_mm`: standard uncertainty (k = 1) of that.
    """

    fault: Fault
    first_link: int
    links: int
    from_mm: float
    excess_mm: float
    u_mm: float
    words: str


def faults_of(link_map: LinkMap, pitch_mm: float) -> list[Finding]:
    """Return what is wrong with the chain, at most FAULTS_MAX findings, in the order of the links; empty for a sound one.

    Args:
        link_map: of its links, against a nominal pitch.
        pitch_mm: that pitch, > 0. Raises ValueError for another.
    """
    if not 0 < pitch_mm < math.inf:
        raise ValueError(f"pitch_mm: {pitch_mm}; give the nominal pitch of the chain, above 0")
    chain = _Chain(link_map=link_map, pitch_mm=pitch_mm)
    excess = chain.excess()
    joints, excess = _stiff_joints(chain, excess)
    links, excess = _single_links(chain, excess)
    found = [*joints, *links, *_sections(chain, excess), *_cranked(chain)]
    return sorted(found, key=lambda finding: finding.first_link)[:FAULTS_MAX]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chain:
    """The chain under the eye. Lengths in per cent of the pitch."""

    link_map: LinkMap
    pitch_mm: float

    @property
    def pitches(self) -> int:
        return self.link_map.pitches

    def kinds(self) -> list[Joints]:
        """The links of each kind in their order round the chain; the cranked one of an odd loop is of neither."""
        sign = self.link_map.sign
        start = int(np.argmin(np.abs(sign))) + 1  # behind the cranked link, if there is one
        ring = (np.arange(self.pitches) + start) % self.pitches
        return [ring[sign[ring] > 0], ring[sign[ring] < 0]]

    def excess(self) -> Floats:
        """By how much each link is longer than the median of its like: shape (pitches,)."""
        links = self.link_map.elongation_pct
        excess = np.zeros(self.pitches)
        for kind in self.kinds():
            excess[kind] = links[kind] - np.median(links[kind])
        return excess

    def beside(self, excess: Floats) -> Floats:
        """The median of each link's like within _BESIDE of these round it: shape (pitches,)."""
        level = np.zeros(self.pitches)
        for kind in self.kinds():
            level[kind] = np.median(_around(excess[kind]), axis=1)
        return level

    def off_on_both_sides(self, excess: Floats) -> Floats:
        """By how much each link stands out from its like on either side of it, whichever is less: shape (pitches,).

        Nought where it is like one side, or lies between the two, as at the end of a worn section.
        """
        off = np.zeros(self.pitches)
        for kind in self.kinds():
            around = _around(excess[kind])
            half = around.shape[1] // 2
            if half:
                before = excess[kind] - np.median(around[:, :half], axis=1)
                behind = excess[kind] - np.median(around[:, half + 1 :], axis=1)
                less = np.where(np.abs(before) < np.abs(behind), before, behind)
                off[kind] = np.where(before * behind > 0, less, 0.0)
        return off

    def spread(self, excess: Floats) -> Floats:
        """The standard deviation of a link of each one's kind about its like beside it, scatter of the map included.

        From the median, so that what is wrong does not widen it: shape (pitches,).
        """
        off = np.abs(excess - self.beside(excess))
        spread = np.full(self.pitches, np.median(off))
        for kind in self.kinds():
            spread[kind] = np.median(off[kind])
        return np.maximum(1.4826 * spread, self.link_map.u_pct)

    def wear_there(self, level: Floats) -> Floats:
        """How many times more than the chain's like those beside each link have worn, 1 or more: shape (pitches,).

        Links of a section that wears fast differ from each other by as much more.
        """
        usual = self.link_map.elongation_pct - self.excess()  # the median of the like
        return np.clip(1 + level / np.maximum(usual, _WEAR_MIN_PCT), 1.0, _WEAR_TIMES_MAX)

    def mm(self, pct: float) -> float:
        return pct / 100 * self.pitch_mm

    def finding(
        self, fault: Fault, first_link: int, links: int, size: tuple[float, float], words: str
    ) -> Finding:
        """A finding; `size`: its excess and standard uncertainty, mm. The words get the place put before them."""
        lengths = self.pitch_mm * (1 + self.link_map.elongation_pct[:first_link] / 100)
        from_mm = float(lengths.sum())
        return Finding(
            fault=fault,
            first_link=first_link,
            links=links,
            from_mm=from_mm,
            excess_mm=size[0],
            u_mm=size[1],
            words=f"{words} It begins {from_mm:.0f} mm along the chain from joint 0.",
        )


def _around(like: Floats) -> Floats:
    """Links of one kind with their like round them, each in the middle of its row: shape (links, _BESIDE or fewer)."""
    width = min(_BESIDE, len(like) - (len(like) + 1) % 2)
    ring = np.concatenate((like[-(width // 2) :], like, like[: width // 2]))
    return np.lib.stride_tricks.sliding_window_view(ring, width)


def _size(mm: float, u_mm: float) -> str:
    """A length and its uncertainty, as people write them: rounded up, so that none is nought."""
    return f"{abs(mm):.2f} mm (U = {max(1, math.ceil(200 * u_mm - 1e-9)) / 100:.2f} mm, k = 2)"


def _stiff_joints(chain: _Chain, excess: Floats) -> tuple[list[Finding], Floats]:
    """Joints that lie otherwise in their row at `up` than at `down`; their two links are put right in what is returned."""
    excess = excess.copy()
    found = []
    displaced, spread = chain.link_map.displaced_pct, chain.spread(excess)
    for joint in np.flatnonzero(np.abs(displaced) >= LINK_MIN_PCT).tolist():
        before = (joint - 1) % chain.pitches
        late = (excess[before] - excess[joint]) / 2
        excess[before] -= late
        excess[joint] += late
        at_up, at_down = (chain.mm(late + side * displaced[joint] / 2) for side in (1, -1))
        u_pct = math.hypot(chain.link_map.displaced_u_pct, float(spread[before]), float(spread[joint])) / 2
        u_mm = chain.mm(u_pct)
        words = (
            f"Joint {joint} does not straighten at once: its roller passes the first sensor {_size(at_up, u_mm)} "
            f"{'late' if at_up > 0 else 'early'}, the second {_size(at_down, u_mm)} {'late' if at_down > 0 else 'early'}. "
            "A stiff joint (dry, rusted, bent or tight): it hammers on the teeth."
        )
        found.append(chain.finding(Fault.STIFF_JOINT, before, 2, (at_up, u_mm), words))
    return found, excess


def _single_links(chain: _Chain, excess: Floats) -> tuple[list[Finding], Floats]:
    """Links, or joints, that stand out alone; what is returned has them as long as their like beside them."""
    excess = excess.copy()
    level = chain.beside(excess)
    off = excess - level
    off[chain.link_map.sign == 0] = 0.0  # a cranked link is like no other
    bounds = np.maximum(LINK_MIN_PCT, _LINK_SIGMAS * chain.spread(excess) * chain.wear_there(level))
    found = []
    alone = np.abs(chain.off_on_both_sides(excess)) > bounds / 2
    for group in _groups(np.abs(off) > bounds):
        if len(group) > 2 or not alone[group].any():  # a section, or the end of one
            continue
        excess[group] = level[group]
        found += _named(chain, group, off)
    return found, excess


def _groups(stands_out: npt.NDArray[np.bool_]) -> list[list[int]]:
    """The links that stand out, those no more than two apart together; round the loop."""
    links = np.flatnonzero(stands_out).tolist()
    if not links:
        return []
    groups = [[links[0]]]
    for link in links[1:]:
        if link - groups[-1][-1] <= 2:
            groups[-1].append(link)
        else:
            groups.append([link])
    if len(groups) > 1 and groups[0][0] + len(stands_out) - groups[-1][-1] <= 2:
        groups[0] = groups.pop() + groups[0]
    return groups


def _named(chain: _Chain, group: list[int], off: Floats) -> list[Finding]:
    """Links that stand out: each for itself, or the joint between two of which one is longer and one shorter."""
    for link in group:
        for before, after in ((link - 1) % chain.pitches, link), (link, (link + 1) % chain.pitches):
            first, second = float(off[before]), float(off[after])
            if first * second < 0 and abs(first + second) <= max(abs(first), abs(second)) / 2:
                return [_joint_out_of_place(chain, before, after, (first - second) / 2)]
    return [_link(chain, link, float(off[link])) for link in group]


def _joint_out_of_place(chain: _Chain, before: int, after: int, late_pct: float) -> Finding:
    """A joint by the two links that meet in it."""
    late_mm, u_mm = chain.mm(late_pct), chain.mm(float(chain.link_map.u_pct[before]))
    words = (
        f"Joint {after} lies {_size(late_mm, u_mm)} {'behind' if late_mm > 0 else 'ahead of'} its place at both sensors: "
        "one of its links looks longer and the other shorter by as much. A stiff joint, a bent plate or a damaged roller."
    )
    return chain.finding(Fault.JOINT_OUT_OF_PLACE, before, 2, (late_mm, u_mm), words)


def _link(chain: _Chain, link: int, off_pct: float) -> Finding:
    """One link that is longer or shorter than its like beside it."""
    size = chain.mm(off_pct), chain.mm(float(chain.link_map.u_pct[link]))
    joints = f"Link {link} (joints {link} and {(link + 1) % chain.pitches})"
    if off_pct > 0:
        words = (
            f"{joints} is {_size(*size)} longer than its like beside it: one of its two joints is worn far more than the "
            "rest, or a plate, pin or bush has given way."
        )
        return chain.finding(Fault.LONG_LINK, link, 1, size, words)
    words = f"{joints} is {_size(*size)} shorter than its like beside it: a link put in later, or one not drawn tight."
    return chain.finding(Fault.SHORT_LINK, link, 1, size, words)


def _sections(chain: _Chain, excess: Floats) -> list[Finding]:
    """Runs of links that are longer or shorter than the rest, the clearest first, each against what is left then."""
    excess = excess.copy()
    variance = chain.spread(excess) ** 2
    found: list[Finding] = []
    while len(found) < FAULTS_MAX:
        section = _clearest(chain, excess, variance)
        if section is None:
            return found
        start, links = section
        inside = np.arange(start, start + links) % chain.pitches
        rest = np.setdiff1d(np.arange(chain.pitches), inside)
        found.append(
            _section(chain, start, links, _whole_excess(chain, excess, variance, start, links), rest)
        )
        # What was named is not searched again, nor are its ends: their links belong to it by half.
        reach = np.arange(start - SECTION_LINKS_MIN, start + links + SECTION_LINKS_MIN) % chain.pitches
        outside = np.setdiff1d(rest, reach)
        if len(outside) < SECTION_LINKS_MIN:
            return found
        excess[reach] = excess[outside].mean()
    return found


def _clearest(chain: _Chain, excess: Floats, variance: Floats) -> tuple[int, int] | None:
    """First link and number of links of the clearest section; None: none is clear.

    Every start and every length up to half the loop is tried: (mean inside - mean of the rest) over its standard
    deviation, which the chain's own spread and the map's uncertainty make.
    """
    pitches = chain.pitches
    lengths = np.arange(SECTION_LINKS_MIN, pitches // 2 + 1)
    sums, variances = (
        np.concatenate(([0.0], np.cumsum(np.concatenate((values, values))))) for values in (excess, variance)
    )
    starts = np.arange(pitches)[:, None]
    inside = sums[starts + lengths] - sums[starts]
    inside_variance = variances[starts + lengths] - variances[starts]
    off = inside / lengths - (sums[pitches] - inside) / (pitches - lengths)
    of_map = np.array([chain.link_map.run_u_pct(int(links)) for links in lengths]) ** 2
    u = np.sqrt(
        inside_variance / lengths**2
        + (variances[pitches] - inside_variance) / (pitches - lengths) ** 2
        + of_map
    )
    clear = np.where(np.abs(off) >= SECTION_MIN_PCT, np.abs(off) / u, 0.0)
    start, length = np.unravel_index(int(np.argmax(clear)), clear.shape)
    if clear[start, length] < _SECTION_SIGMAS:
        return None
    return int(start), int(lengths[length])


def _whole_excess(
    chain: _Chain, excess: Floats, variance: Floats, start: int, links: int
) -> tuple[float, float]:
    """By how much a section is longer than as many of their like in the rest, mm, and its standard uncertainty.

    Where it ends is known to a pair of links only: a joint that wears lengthens one link by its half, and that one is as near
    to the rest as to the section. So the pairs beside it are counted in: what of the section lies in them is then in the sum,
    and what lies outside adds nothing but how links differ, which is in the uncertainty.
    """
    wide = min(links + 2 * _ENDS_LINKS, chain.pitches - SECTION_LINKS_MIN)
    reach = (start - (wide - links) // 2 + np.arange(wide)) % chain.pitches
    outside = np.setdiff1d(np.arange(chain.pitches), reach)
    inside = (start + np.arange(links)) % chain.pitches
    level = float(excess[outside].mean())
    beside = float(variance[np.setdiff1d(reach, inside)].sum())
    rest = float(variance[outside].sum()) * (wide / len(outside)) ** 2
    u_pct = math.sqrt((chain.link_map.run_u_pct(wide) * wide) ** 2 + beside + rest)
    return chain.mm(float(excess[reach].sum()) - wide * level), chain.mm(u_pct)


def _section(chain: _Chain, start: int, links: int, size: tuple[float, float], rest: Joints) -> Finding:
    """A section by its place, its length and how much longer it is than the rest."""
    inside_pct = float(chain.link_map.elongation_pct[(start + np.arange(links)) % chain.pitches].mean())
    rest_pct = float(chain.link_map.elongation_pct[rest].mean())
    run = f"Links {start} to {(start + links - 1) % chain.pitches} ({links} pitches; either end to {_ENDS_LINKS} links)"
    there, elsewhere = (f"{pct:.2f}".replace("-", "\N{MINUS SIGN}") for pct in (inside_pct, rest_pct))
    lengths = f"elongation {there} % there, {elsewhere} % in the rest; {_size(*size)} in all"
    if size[0] > 0:
        words = f"{run} are worn more than the rest of the chain: {lengths}."
        return chain.finding(Fault.WORN_SECTION, start, links, size, words)
    origin = "as long as new chain, so spliced in later" if inside_pct < _AS_NEW_PCT else "put in later"
    words = f"{run} are worn less than the rest of the chain, {origin}: {lengths}."
    return chain.finding(Fault.NEW_SECTION, start, links, size, words)


def _cranked(chain: _Chain) -> list[Finding]:
    """The cranked link of an odd loop, where the links tell its place.

    For each place, the links are explained by one length for each kind in turn from there on; the best must be clear
    of any other.
    """
    if chain.pitches % 2 == 0:
        return []
    links = chain.link_map.elongation_pct - chain.link_map.mean_pct
    turned = np.where(np.arange(chain.pitches) % 2, -1.0, 1.0) * links
    running = np.cumsum(turned)
    explained = (running[-1] - 2 * running + turned) ** 2 / (chain.pitches - 1)
    best = int(np.argmax(explained))
    others = np.delete(explained, best)
    scatter = float(np.median(chain.spread(chain.excess()))) ** 2
    if float(explained[best] - others.max()) < _CRANKED_SIGMAS**2 * scatter:
        return []
    u_mm = chain.mm(float(chain.link_map.u_pct[best]))
    words = (
        f"Link {best} (joints {best} and {(best + 1) % chain.pitches}) is a cranked link: the links before and behind it "
        "are of the same kind in turn. It is weaker than the rest; an even number of pitches needs none."
    )
    return [chain.finding(Fault.CRANKED_LINK, best, 1, (chain.mm(float(links[best])), u_mm), words)]
