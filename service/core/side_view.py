"""A chain drive seen from the side, in millimetres: two pitch circles, the strands between them, every joint, the sensors.

Knows teeth, pitch, centres and the length of the loop; must not know how it is drawn, nor what was measured. What is not
registered is supposed, so that there is something to see, and named in `supposed`; where too little is known for two sprockets,
there is a strand.

Axes: x to the right, y up, the shaft of the driven sprocket at (0, 0), that of the driver at (C, 0); the tight strand lies on top
and runs to the right. Places along the loop count in pitches, in the direction of travel, from where the tight strand meets the
driver. On a pitch circle a joint goes on by 2 pi / z for each pitch, on a strand by p: what a chain does but for the one link at
each end of a strand, which is half straight and half chord, and so drawn too short or too long by up to 0.2 % with 17 teeth.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from service.core.catalogue import CatalogueChain, ChainKind, DesignationError, find
from service.core.drive import Chain, Drive
from service.core.geometry import pitch_diameter_mm

TEETH_SUPPOSED = 19  # of a sprocket of which nobody gave the teeth (common practice, no source)
CENTRES_SUPPOSED_PITCHES = (
    40  # where neither centres nor loop are known: 30 to 50 are usual (Shigley, ch. 17, from memory)
)
DISAGREE_PITCHES = (
    1.0  # by which centres and teeth may miss the registered loop: a take-up, or sag, has the rest
)
STRAND_AROUND = 3  # pitches of a strand on either side of what is to be seen
STRAND_WITHOUT_SENSORS = 12  # pitches
_HALVINGS = 80


class Supposed(StrEnum):
    """What is not registered and is drawn as supposed."""

    DRIVER_TEETH = "driver_teeth"
    DRIVEN_TEETH = "driven_teeth"
    CENTRES = "centres"  # neither centres nor the length of the loop
    LOOP = "loop"  # its length is taken from centres and teeth
    PLACE = "place"  # how far the sensors are from the driver


class Doubt(StrEnum):
    """What is registered and does not go together."""

    CENTRES_TOO_SHORT = "centres_too_short"  # the sprockets would cut into each other
    CENTRES_AND_LOOP = "centres_and_loop"  # centres and teeth ask for another number of pitches
    UP_OFF_STRAND = "up_off_strand"  # `up` lies before the tight strand begins
    DOWN_OFF_STRAND = "down_off_strand"  # `down` lies past the driver's tangent point


class Spot(NamedTuple):
    """A place, mm, and the direction away from the loop's inside there, of length 1."""

    x_mm: float
    y_mm: float
    out_x: float
    out_y: float


class LinkKind(StrEnum):
    """What joins two joints (ISO 606, from memory)."""

    INNER = "inner"
    OUTER = "outer"
    CRANKED = "cranked"  # the one that an odd loop needs


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheel:
    """One sprocket: its teeth, its pitch circle, and the angle over which the chain lies on it."""

    teeth: int
    radius_mm: float
    x_mm: float
    wrap_rad: float

    @property
    def wrap_pitches(self) -> float:
        """Pitches of chain that lie on it: z / (2 pi) for each radian."""
        return self.teeth * self.wrap_rad / math.tau


@dataclass(frozen=True, slots=True, kw_only=True)
class SideView:
    """Two sprockets with their chain. up, down: places of the sensors along the loop, pitches; None without sensors.

    joints: of the loop as drawn, as many as go round. length_pitches: that the pitch line has at these centres; the same but for what a take-up or sag
    takes up. slope_rad: of the tight strand, upwards to the driver.
    """

    pitch_mm: float
    joints: int
    length_pitches: float
    centres_mm: float
    slope_rad: float
    driver: Wheel
    driven: Wheel
    up: float | None = None
    down: float | None = None
    supposed: frozenset[Supposed] = frozenset()
    doubts: tuple[Doubt, ...] = ()

    @property
    def strand_mm(self) -> float:
        """Length of a straight strand from tangent point to tangent point: C cos(slope)."""
        return self.centres_mm * math.cos(self.slope_rad)

    @property
    def strand_pitches(self) -> float:
        """The same in pitches."""
        return self.strand_mm / self.pitch_mm

    def spot(self, place: float) -> Spot:
        """Return where a place along the loop is. place: pitches from the driver's tangent point, any."""
        at = place % self.length_pitches
        slack_from = self.driver.wrap_pitches
        driven_from = slack_from + self.strand_pitches
        tight_from = driven_from + self.driven.wrap_pitches
        leaves = math.pi / 2 + self.slope_rad  # the angle at which the tight strand touches either circle
        if at < slack_from:
            return _on(self.driver, leaves - math.tau * at / self.driver.teeth)
        if at < driven_from:
            return self._beside(self.driver, -leaves, at - slack_from)
        if at < tight_from:
            return _on(self.driven, -leaves - math.tau * (at - driven_from) / self.driven.teeth)
        return self._beside(self.driven, leaves, at - tight_from)

    def _beside(self, wheel: Wheel, angle: float, along_pitches: float) -> Spot:
        """On the strand that leaves a wheel at an angle, so many pitches further on: clockwise, square to the radius."""
        start, along_mm = _on(wheel, angle), along_pitches * self.pitch_mm
        return start._replace(
            x_mm=start.x_mm + along_mm * start.out_y, y_mm=start.y_mm - along_mm * start.out_x
        )

    def joint_places(self) -> list[float]:
        """Return the place of every joint, pitches, as they are when one of them passes `up`, which is the first of them."""
        step = self.length_pitches / self.joints
        start = 0.0 if self.up is None else self.up
        return [(start + number * step) % self.length_pitches for number in range(self.joints)]

    def link_kinds(self) -> list[LinkKind]:
        """Return the kind of the link from each joint to the next: inner and outer in turn, the last of an odd loop cranked."""
        kinds = [LinkKind.OUTER if number % 2 else LinkKind.INNER for number in range(self.joints)]
        if self.joints % 2:
            kinds[-1] = LinkKind.CRANKED
        return kinds


class StrandWhy(StrEnum):
    """Why only a strand is drawn."""

    LEAF = "leaf"  # it runs over sheaves or is held at its ends
    NO_TEETH = "no_teeth"
    LOOP_TOO_SHORT = "loop_too_short"


@dataclass(frozen=True, slots=True, kw_only=True)
class StrandView:
    """A piece of straight strand, running to the right. up, down: pitches from its left end; None without sensors.

    driver_at: where the driver's tangent point lies, if it is known and to be seen.
    """

    pitch_mm: float
    length_pitches: float
    leaf: bool
    why: StrandWhy
    up: float | None = None
    down: float | None = None
    driver_at: float | None = None


def view_of(drive: Drive, chain: Chain, centre_distance_mm: float | None) -> SideView | StrandView:
    """Return the drive as it can be drawn from what is registered.

    Args:
        drive: teeth and sensors.
        chain: the one that is on it.
        centre_distance_mm: from shaft to shaft, as people gave it; None: not known.
    """
    known = known_chain(chain)
    if known is not None and known.kind is ChainKind.LEAF:
        return _strand(drive, chain, StrandWhy.LEAF)
    if drive.driver_teeth is None and drive.driven_teeth is None:
        conveyor = known is not None and known.kind is ChainKind.CONVEYOR
        if conveyor or (chain.pitches_in_loop is None and centre_distance_mm is None):
            return _strand(drive, chain, StrandWhy.NO_TEETH)
    return _sides(drive, chain, centre_distance_mm) or _strand(drive, chain, StrandWhy.LOOP_TOO_SHORT)


def known_chain(chain: Chain) -> CatalogueChain | None:
    """Return what the catalogue has of a chain; None where it has nothing."""
    try:
        return find(chain.designation) if chain.designation else None
    except DesignationError:
        return None


def loop_length_pitches(centres_mm: float, pitch_mm: float, driver_teeth: int, driven_teeth: int) -> float:
    """Return the length of the pitch line round two sprockets, pitches, exactly: 2 C cos(b) / p and z / (2 pi) for each radian of wrap.

    sin(b) = (R1 - R2) / C, R = p / (2 sin(pi / z)); the chain wraps pi + 2 b of the driver and pi - 2 b of the driven. The formula of
    handbooks (`geometry.chain_length_pitches`) is its series.

    Args:
        centres_mm: C, above the difference of the radii.
        pitch_mm: p.
        driver_teeth: z1.
        driven_teeth: z2.
    """
    slope = _slope(centres_mm, pitch_mm, driver_teeth, driven_teeth)
    wraps = (driver_teeth * (math.pi + 2 * slope) + driven_teeth * (math.pi - 2 * slope)) / math.tau
    return 2 * centres_mm * math.cos(slope) / pitch_mm + wraps


def centres_for(length_pitches: float, pitch_mm: float, driver_teeth: int, driven_teeth: int) -> float | None:
    """Return the centre distance at which the pitch line has a length, mm: the inverse of `loop_length_pitches`.

    None where the chain does not go round: at the least centres, where the pitch circles touch, it would be shorter than that.
    """
    least = _touching_mm(pitch_mm, driver_teeth, driven_teeth)
    most = max(least, length_pitches * pitch_mm / 2)
    if loop_length_pitches(least, pitch_mm, driver_teeth, driven_teeth) > length_pitches:
        return None
    for _ in range(_HALVINGS):  # the length rises with the centres
        middle = (least + most) / 2
        if loop_length_pitches(middle, pitch_mm, driver_teeth, driven_teeth) < length_pitches:
            least = middle
        else:
            most = middle
    return (least + most) / 2


def _sides(drive: Drive, chain: Chain, given_mm: float | None) -> SideView | None:
    """The drive with its sprockets; None where the loop does not go round them."""
    supposed, doubts = set[Supposed](), list[Doubt]()
    teeth = _teeth(drive, supposed)
    centres_mm = _centres_mm(chain, teeth, given_mm, supposed, doubts)
    if centres_mm is None:
        return None
    pitch_mm = chain.pitch_mm
    length = loop_length_pitches(centres_mm, pitch_mm, *teeth)
    if chain.pitches_in_loop is None:
        supposed.add(Supposed.LOOP)
    elif abs(length - chain.pitches_in_loop) > DISAGREE_PITCHES:
        doubts.append(Doubt.CENTRES_AND_LOOP)
    agreed = chain.pitches_in_loop is not None and Doubt.CENTRES_AND_LOOP not in doubts
    slope = _slope(centres_mm, pitch_mm, *teeth)
    driver, driven = (
        Wheel(teeth=z, radius_mm=pitch_diameter_mm(pitch_mm, z) / 2, x_mm=x_mm, wrap_rad=math.pi + 2 * turned)
        for z, x_mm, turned in zip(teeth, (centres_mm, 0.0), (slope, -slope), strict=True)
    )
    strand = centres_mm * math.cos(slope) / pitch_mm
    up, down = _sensors(drive, chain, strand, length, supposed, doubts)
    return SideView(
        pitch_mm=pitch_mm,
        joints=chain.pitches_in_loop if agreed and chain.pitches_in_loop else 2 * round(length / 2),
        length_pitches=length,
        centres_mm=centres_mm,
        slope_rad=slope,
        driver=driver,
        driven=driven,
        up=up,
        down=down,
        supposed=frozenset(supposed),
        doubts=tuple(doubts),
    )


def _teeth(drive: Drive, supposed: set[Supposed]) -> tuple[int, int]:
    """Of driver and driven; one that is not known is taken to be like the other."""
    if drive.driver_teeth is None:
        supposed.add(Supposed.DRIVER_TEETH)
    if drive.driven_teeth is None:
        supposed.add(Supposed.DRIVEN_TEETH)
    return (
        drive.driver_teeth or drive.driven_teeth or TEETH_SUPPOSED,
        drive.driven_teeth or drive.driver_teeth or TEETH_SUPPOSED,
    )


def _centres_mm(
    chain: Chain,
    teeth: tuple[int, int],
    given_mm: float | None,
    supposed: set[Supposed],
    doubts: list[Doubt],
) -> float | None:
    """As given, else from the loop, else supposed; None where the loop does not go round."""
    touching_mm = _touching_mm(chain.pitch_mm, *teeth)
    if given_mm is not None:
        if given_mm > touching_mm:
            return given_mm
        doubts.append(Doubt.CENTRES_TOO_SHORT)
    if chain.pitches_in_loop is not None:
        return centres_for(chain.pitches_in_loop, chain.pitch_mm, *teeth)
    supposed.add(Supposed.CENTRES)
    return CENTRES_SUPPOSED_PITCHES * chain.pitch_mm + touching_mm / 2


def _sensors(
    drive: Drive, chain: Chain, strand: float, length: float, supposed: set[Supposed], doubts: list[Doubt]
) -> tuple[float | None, float | None]:
    """The places of both sensors, pitches; in the middle of the tight strand where nobody said how far from the driver."""
    if drive.whole_pitches is None:
        return None, None
    spacing = drive.whole_pitches + drive.offset_pitches
    if drive.up_to_driver_mm is None:
        supposed.add(Supposed.PLACE)
        before = (strand + spacing) / 2
    else:
        before = drive.up_to_driver_mm / chain.pitch_mm
        if before < spacing:
            doubts.append(Doubt.DOWN_OFF_STRAND)
    if before > strand:
        doubts.append(Doubt.UP_OFF_STRAND)
    return length - before, length - before + spacing


def _strand(drive: Drive, chain: Chain, why: StrandWhy) -> StrandView:
    """A piece of strand that shows both sensors, and the driver's tangent point where it is near."""
    leaf = why is StrandWhy.LEAF
    if drive.whole_pitches is None:
        return StrandView(pitch_mm=chain.pitch_mm, length_pitches=STRAND_WITHOUT_SENSORS, leaf=leaf, why=why)
    spacing = drive.whole_pitches + drive.offset_pitches
    up, down = float(STRAND_AROUND), STRAND_AROUND + spacing
    driver_at = None if drive.up_to_driver_mm is None else up + drive.up_to_driver_mm / chain.pitch_mm
    if driver_at is not None and not 0 < driver_at <= 2 * down:
        driver_at = None
    length = max(down, driver_at or 0.0) + STRAND_AROUND
    return StrandView(
        pitch_mm=chain.pitch_mm,
        length_pitches=length,
        leaf=leaf,
        why=why,
        up=up,
        down=down,
        driver_at=driver_at,
    )


def straight_joints(view: StrandView) -> Sequence[float]:
    """Return the places of the joints of a strand, pitches from its left end, as they are when one passes `up`."""
    first = 0.5 if view.up is None else view.up % 1
    return [first + number for number in range(math.floor(view.length_pitches - first) + 1)]


def _on(wheel: Wheel, angle: float) -> Spot:
    out_x, out_y = math.cos(angle), math.sin(angle)
    return Spot(wheel.x_mm + wheel.radius_mm * out_x, wheel.radius_mm * out_y, out_x, out_y)


def _slope(centres_mm: float, pitch_mm: float, driver_teeth: int, driven_teeth: int) -> float:
    """b, sin(b) = (R1 - R2) / C: how steeply the tight strand rises to the driver, radians."""
    difference_mm = (
        pitch_diameter_mm(pitch_mm, driver_teeth) - pitch_diameter_mm(pitch_mm, driven_teeth)
    ) / 2
    if not abs(difference_mm) < centres_mm:
        raise ValueError(
            f"centres_mm: {centres_mm} is not above {abs(difference_mm):.1f}, the difference of the radii; measure from shaft to shaft"
        )
    return math.asin(difference_mm / centres_mm)


def _touching_mm(pitch_mm: float, driver_teeth: int, driven_teeth: int) -> float:
    """The centres at which the pitch circles touch."""
    return (pitch_diameter_mm(pitch_mm, driver_teeth) + pitch_diameter_mm(pitch_mm, driven_teeth)) / 2
