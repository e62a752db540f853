"""Lengths as the trade writes them: millimetres first, inches beside; those of the inch series as fractions.

Knows how a length is written; must not know of what it is.
"""

from fractions import Fraction

from service.adapters.web.words import number_words

MM_IN = 25.4
_SPACE = "\N{NO-BREAK SPACE}"  # between number and unit, so that no line ends there
_SIXTEENTHS = 16
_AS_MADE_MM = 0.005  # a length that lies so near to a fraction of an inch is one


def mm_words(mm: float) -> str:
    """Return a length in millimetres: to a tenth below a metre, to the millimetre from there on."""
    return f"{number_words(mm, 1 if abs(mm) < 1000 else 0).removesuffix('.0')}{_SPACE}mm"


def inch_words(mm: float) -> str:
    """Return a length in inches: as a fraction where it is one, else to a hundredth below 10 in, to a tenth from there on."""
    inches = mm / MM_IN
    parts = round(inches * _SIXTEENTHS)
    if parts > 0 and abs(parts / _SIXTEENTHS - inches) * MM_IN <= _AS_MADE_MM:
        whole, rest = divmod(Fraction(parts, _SIXTEENTHS), 1)
        return f"{_SPACE.join(str(each) for each in (whole, rest) if each)}{_SPACE}in"
    return f"{number_words(inches, 2 if abs(inches) < 10 else 1)}{_SPACE}in"


def pitch_words(mm: float) -> str:
    """Return a pitch in both, to the last digit that it is made to: 19.05 mm (3/4 in)."""
    return f"{mm:g}{_SPACE}mm ({inch_words(mm)})"


def length_words(mm: float) -> str:
    """Return a length in both: 12.7 mm (1/2 in)."""
    return f"{mm_words(mm)} ({inch_words(mm)})"
