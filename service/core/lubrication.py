"""Which oil, and how it gets to the chain: by the air about the drive and by the speed of the chain.

Knows two tables and their sources; must not know drives.
"""

from dataclasses import dataclass

from service.core.catalogue import CatalogueChain, ChainKind
from service.core.geometry import lubrication_limits

# ISO 10823 (from memory): viscosity grade (ISO 3448) by the temperature of the air, degC, from and to.
VISCOSITY = ((-5.0, 5.0, 68), (5.0, 25.0, 100), (25.0, 45.0, 150), (45.0, 70.0, 220))
VISCOSITY_SOURCE = "ISO 10823 (from memory)"
METHOD_SOURCE = "ASME B29.1, as bearing distributors print it"
_INCH_MM = 25.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Oil:
    """The viscosity grade to use, and what is to be said of it. grade: None where the table has none."""

    grade: int | None
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """How the chain is to be lubricated: "A" by hand or drip, "B" bath or disc, "C" oil stream; None where no table says."""

    type: str | None
    said: str


def oil_for(low_c: float | None, high_c: float | None) -> Oil:
    """Return the viscosity grade for air between two temperatures: that of the warmest, with a word where the cold wants less.

    Source: ISO 10823 (from memory). A boundary belongs to the row that the rest of the span is in.
    """
    if low_c is None or high_c is None:
        return Oil(
            grade=None,
            said="The temperature of the air about the drive is not set, so no viscosity is named.",
        )
    span = f"{low_c:g} to {high_c:g} °C"
    if low_c < VISCOSITY[0][0] or high_c > VISCOSITY[-1][1]:
        return Oil(
            grade=None,
            said=f"Air of {span} is outside of {VISCOSITY[0][0]:g} to {VISCOSITY[-1][1]:g} °C, for which the table is "
            "made: ask the maker of the chain or of the oil.",
        )
    warm = next(grade for _, most_c, grade in VISCOSITY if high_c <= most_c)
    cold = warm if low_c == high_c else next(grade for _, most_c, grade in VISCOSITY if low_c < most_c)
    said = f"Mineral oil of ISO VG {warm} for air of {span}."
    if cold != warm:
        said += f" In the cold part of the year VG {cold} reaches the joints better."
    return Oil(grade=warm, said=said)


def method_for(chain: CatalogueChain | None, speed_m_s: float | None) -> Method:
    """Return the way of lubrication that a chain of that speed needs at least.

    Source: ASME B29.1, limits of speed by ASME number; a B chain goes by the ASME chain of its pitch (our own).
    """
    if chain is None or chain.kind is not ChainKind.ROLLER or chain.pitch_mm is None:
        return Method(
            type=None, said="No table gives the way of lubrication for this kind of chain: as its maker says."
        )
    number = round(8 * chain.pitch_mm / _INCH_MM) * 10
    try:
        limits = lubrication_limits(number)
    except ValueError:
        return Method(
            type=None,
            said=f"The table has no chain of {chain.pitch_mm:g} mm pitch: as its maker says.",
        )
    most = f"by hand or drip up to {limits.manual_or_drip_m_s:.2f} m/s, bath or disc up to {limits.bath_or_disc_m_s:.1f} m/s"
    if speed_m_s is None:
        return Method(type=None, said=f"The speed is not known. {most.capitalize()}, oil stream above.")
    if speed_m_s <= limits.manual_or_drip_m_s:
        return Method(type="A", said=f"By hand or drip will do at {speed_m_s:.2f} m/s ({most}).")
    if speed_m_s <= limits.bath_or_disc_m_s:
        return Method(type="B", said=f"Oil bath or slinger disc at {speed_m_s:.2f} m/s ({most}).")
    return Method(type="C", said=f"Oil stream from a pump at {speed_m_s:.2f} m/s ({most}).")
