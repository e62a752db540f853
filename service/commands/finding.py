"""What one of the checks of `linklag check` found."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What one check found; `fix` is empty where all is well."""

    subject: str
    found: str
    fix: str = ""
