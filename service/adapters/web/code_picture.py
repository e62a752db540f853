"""The address of a drive as a square of dark and light (ISO/IEC 18004, by the library segno), to be read by a phone's camera.

Knows the library and SVG paths; must not know which address it is.
"""

from dataclasses import dataclass

import segno

QUIET = 4  # light modules around it, as readers need them (ISO/IEC 18004, from memory)


@dataclass(frozen=True, slots=True)
class CodePicture:
    """`path`: of an SVG whose unit is a module, the quiet zone included in `size`."""

    path: str
    size: int


def code_of(address: str) -> CodePicture:
    """Return the picture of an address. A seventh of it may be soiled: level M."""
    code = segno.make(address, error="m", micro=False, boost_error=False)
    runs = []
    for y, row in enumerate(code.matrix):
        x = 0
        while x < len(row):
            start, dark = x, row[x]
            while x < len(row) and row[x] == dark:
                x += 1
            if dark:
                runs.append(f"M{start + QUIET} {y + QUIET}h{x - start}v1h-{x - start}z")
    return CodePicture("".join(runs), len(code.matrix) + 2 * QUIET)
