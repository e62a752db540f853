"""What to order for the change of a chain, and the list to go by when it is changed.

Knows chain, teeth, sprockets and oil; must not know dates, nor where any of it is kept. The number of pitches is as
registered, else from centres and teeth by the textbook formula (`geometry.chain_length_pitches`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.core import geometry
from service.core.catalogue import CatalogueChain, ChainKind, DesignationError, find
from service.core.drive import Chain, Drive
from service.core.hand import CAUTIONS
from service.core.lubrication import METHOD_SOURCE, VISCOSITY_SOURCE, Method, Oil, method_for, oil_for
from service.core.sprocket import Due, SprocketState
from service.core.supply import Terms

AS_REGISTERED, BY_FORMULA, COUNT = (
    "as registered",
    "from centres and teeth",
    "not known: count the joints of the old chain",
)
FORMULA_SOURCE = "Bhandari, Design of Machine Elements, ch. 14; ASME B29.1 supplementary information"
ODD = (
    "An odd number of pitches needs a cranked link, whose bent plates are the weakest part of the chain, and the ratings of "
    "ISO 10823 are for chain without one (from memory): if centres or a take-up allow, fit an even number."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """How many pitches to order. exact: as the formula gives it; centres_mm: that the rounded number asks for."""

    pitches: int | None
    how: str
    exact: float | None = None
    centres_mm: float | None = None
    said: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What to order for one drive. connecting_links and cranked_links: None where the length is not known.

    sprockets: those that are due or to be looked at. speed_m_s: of the chain, by which the way of lubrication goes.
    """

    designation: str
    kind: str
    pitch_mm: float
    strands: int
    length: Length
    connecting_links: int | None
    cranked_links: int | None
    anchor_bolts: bool
    sprockets: tuple[SprocketState, ...]
    oil: Oil
    method: Method
    speed_m_s: float | None
    stock_number: str
    notes: tuple[str, ...]
    sources: tuple[str, ...] = (FORMULA_SOURCE, VISCOSITY_SOURCE, METHOD_SOURCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckList:
    """What to heed first, and what to do, in order."""

    cautions: tuple[str, ...]
    steps: tuple[str, ...]


def order_of(
    drive: Drive,
    chain: Chain,
    terms: Terms,
    sprockets: Sequence[SprocketState],
    speed_m_s: float | None = None,
) -> Order:
    """Return what to order when the chain of a drive is changed.

    Args:
        drive: its teeth.
        chain: the one that is on, which the new one is to be like.
        terms: centres, air and stock number, as set under Supply.
        sprockets: those that are on (`sprocket.sprocket_states`).
        speed_m_s: of the chain, None where it was not measured.
    """
    known = _known(chain)
    lifting = known is not None and known.kind is ChainKind.LEAF
    length = length_of(drive, chain, terms.centre_distance_mm)
    connecting = cranked = None
    if lifting:
        connecting, cranked = 0, 0
    elif length.pitches is not None:
        connecting, cranked = 1, length.pitches % 2
    return Order(
        designation=chain.designation or f"free pitch {chain.pitch_mm:g} mm",
        kind=str(known.kind) if known is not None else "",
        pitch_mm=chain.pitch_mm,
        strands=chain.strands,
        length=length,
        connecting_links=connecting,
        cranked_links=cranked,
        anchor_bolts=lifting,
        sprockets=tuple(each for each in sprockets if each.due is not Due.NO),
        oil=oil_for(terms.ambient_low_c, terms.ambient_high_c),
        method=method_for(known, speed_m_s),
        speed_m_s=speed_m_s,
        stock_number=terms.stock_number or "",
        notes=tuple(_notes(drive, chain, length, sprockets, lifting=lifting)),
    )


def length_of(drive: Drive, chain: Chain, centre_distance_mm: float | None) -> Length:
    """Return the number of pitches of the new chain: as registered, else the even number next above the formula's."""
    formula = _by_formula(drive, chain, centre_distance_mm)
    if chain.pitches_in_loop is None:
        return formula or Length(pitches=None, how=COUNT)
    said = ""
    if formula is not None and formula.exact is not None and abs(formula.exact - chain.pitches_in_loop) > 2:
        said = f"Centres and teeth would give {formula.exact:.1f} pitches: count the old chain, and look at centres and teeth."
    return Length(
        pitches=chain.pitches_in_loop,
        how=AS_REGISTERED,
        exact=formula.exact if formula is not None else None,
        said=said,
    )


def check_list(order: Order, *, set_with: Sequence[str] = ()) -> CheckList:
    """Return the list for a change: cautions first, then the steps. set_with: drives whose chains go along."""
    return CheckList(cautions=CAUTIONS, steps=tuple(_steps(order, set_with)))


def _by_formula(drive: Drive, chain: Chain, centres_mm: float | None) -> Length | None:
    known = _known(chain)
    if centres_mm is None or drive.driver_teeth is None or drive.driven_teeth is None:
        return None
    if known is not None and known.kind is ChainKind.LEAF:
        return None
    teeth = (drive.driver_teeth, drive.driven_teeth)
    exact = geometry.chain_length_pitches(centres_mm, chain.pitch_mm, *teeth)
    even = geometry.whole_even_pitches(round(exact, 6))
    return Length(
        pitches=even,
        how=BY_FORMULA,
        exact=exact,
        centres_mm=geometry.centre_distance_mm(even, chain.pitch_mm, *teeth),
        said="For two sprockets without an idler. Count the old chain before you order.",
    )


def _notes(
    drive: Drive, chain: Chain, length: Length, sprockets: Sequence[SprocketState], *, lifting: bool
) -> Iterable[str]:
    if length.said:
        yield length.said
    if length.centres_mm is not None and length.pitches is not None and length.exact is not None:
        yield (
            f"{length.exact:.2f} pitches by the formula, rounded up to an even {length.pitches}, for which the centres would be "
            f"{length.centres_mm:.1f} mm"
            + (
                "; the centres are fixed: an idler or a take-up has to take the rest."
                if drive.fixed_centres
                else "."
            )
        )
    if length.pitches is not None and length.pitches % 2 and not lifting:
        yield ODD
    if lifting:
        yield "Leaf chain is ordered by length with the maker's pins for its ends; no links are joined into it."
    if not chain.designation:
        yield "No designation is registered: give the maker pitch, roller, inner width and pin, measured on the old chain."
    if not sprockets:
        yield "No sprockets are on record: look at their teeth, and enter them under Sprockets."


def _steps(order: Order, set_with: Sequence[str]) -> Iterable[str]:
    lifting = order.anchor_bolts
    if set_with:
        yield f"Have the chains of {', '.join(set_with)} ready too: the set is changed together."
    pitches = (
        f"{order.length.pitches} pitches"
        if order.length.pitches is not None
        else "as many pitches as the old one"
    )
    yield f"Compare the new chain with the old one before anything is opened: {order.designation}, {pitches}."
    yield "Stop the drive, lock it out and tag it out by your rules, and try that it does not start."
    yield (
        "Measure the old chain by hand while it is still tight, as its card says, and enter the value: it shows how good the "
        "forecast was."
    )
    if lifting:
        yield "Set the load down, take the weight off the chain, and secure the carriage against falling."
    else:
        yield "Note where the take-up stands, secure its weight or spring, and slacken it."
    if lifting:
        yield "Change all chains of the lift with their anchor bolts and pins; look at the sheaves for wear at rim and bore."
    else:
        yield "Look at each sprocket: hooked teeth, shiny flanks, wear on one side. Sprockets with worn teeth go with the chain."
        if order.sprockets:
            yield f"Due or to be looked at: {', '.join(_sprocket_words(each) for each in order.sprockets)}."
        yield "Check that shafts are parallel and sprockets in line, and that guides and take-up are not worn."
        yield "Join the chain with its connecting link; the closed end of a spring clip points the way the chain runs."
    yield "Never splice new links into a worn chain, and no worn ones into a new chain."
    if not lifting:
        yield "Set the tension: about 2 % of the span as sag on the slack strand, less on vertical drives (common practice)."
    yield f"Lubricate before the first start. {order.oil.said} {order.method.said}"
    yield "Put the guards back, see that nobody and nothing is in the drive, and only then take locks and tags off, by your rules."
    yield "Enter the change: the old chain with why it came off, then the new one."
    yield "Where there are sensors: look at brackets and gaps, and take a new baseline once it has run in."
    yield "Look at the tension again after some 20 h: new chain beds in."


def _sprocket_words(state: SprocketState) -> str:
    teeth = f" {state.sprocket.teeth} teeth" if state.sprocket.teeth else ""
    return f"{state.sprocket.place}{teeth} ({state.why})"


def _known(chain: Chain) -> CatalogueChain | None:
    try:
        return find(chain.designation) if chain.designation else None
    except DesignationError:
        return None
