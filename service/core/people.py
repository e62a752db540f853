"""Who may do what.

Knows roles; must not know passwords, sessions or requests.
"""

from enum import IntEnum


class Role(IntEnum):
    """Each may do what those before it may."""

    VIEWER = 1  # reads
    OPERATOR = 2  # acknowledges, shelves, writes notes, measures by hand, signs handovers
    ENGINEER = 3  # drives, chains, baselines, setpoints, routes, shifts, out of service
    ADMINISTRATOR = 4  # people and tokens
