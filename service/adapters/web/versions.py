"""Which settings of a drive somebody had before them when they made a change, so that nobody overwrites another's unseen.

A version is a few letters for each setting. It names what has changed since without anything being kept for it. The API gives it
as the entity tag of a drive (RFC 9110, 8.8.3) and takes it with If-Match (13.1.1, both from memory); a form carries it along.
"""

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, fields

from service.adapters.web.instants import rfc3339
from service.adapters.web.parts import Parts
from service.adapters.web.problems import ProblemError
from service.core.audit import AuditEntry
from service.core.drive import Drive

LETTERS = 4  # of each setting: 20 bits, so one change in a million goes unseen
ENTRIES_LOOKED_AT = 20  # of the audit log, for who was first
EVERYTHING = tuple(each.name for each in fields(Drive) if each.name != "drive_id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Overtaken:
    """What somebody else has changed since a version; `entry`: the newest such change, None where no log tells it."""

    changed: tuple[str, ...]  # fields of Drive
    entry: AuditEntry | None


def version_of(drive: Drive) -> str:
    """Return the version of a drive's settings."""
    return "".join(_letters(f"{name}={getattr(drive, name)!r}") for name in EVERYTHING)


def _letters(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return base64.b32encode(digest).decode().lower()[:LETTERS]


def changed_since(version: str, drive: Drive) -> tuple[str, ...]:
    """Return the settings that are not as they were in that version; all of them where it is none of ours."""
    now = version_of(drive)
    if len(version) != len(now):
        return EVERYTHING
    places = range(0, len(now), LETTERS)
    return tuple(
        name
        for name, at in zip(EVERYTHING, places, strict=True)
        if version[at : at + LETTERS] != now[at : at + LETTERS]
    )


def overtaken(parts: Parts, drive: Drive, version: str) -> Overtaken | None:
    """Return what was changed since a version, and by whom last; None where nothing was."""
    changed = changed_since(version, drive)
    if not changed:
        return None
    entries = parts.audit_log.entries(subject=f"drive {drive.drive_id}", rows_max=ENTRIES_LOOKED_AT)
    entry = next((each for each in entries if changed == EVERYTHING or set(changed) & set(each.new)), None)
    return Overtaken(changed=changed, entry=entry)


# Entity tags


def tag_of(drive: Drive) -> str:
    """Return the version as an entity tag."""
    return f'"{version_of(drive)}"'


def refuse_overtaken(parts: Parts, drive: Drive, if_match: str) -> None:
    """Go on where If-Match fits the drive as it is now, or is empty. Raises a 412 that names what was changed, and by whom."""
    tags = [tag.strip() for tag in if_match.split(",") if tag.strip()]
    if not tags or "*" in tags or tag_of(drive) in tags:
        return
    raise _refusal(parts, drive, tags)


def _refusal(parts: Parts, drive: Drive, tags: Sequence[str]) -> ProblemError:
    found = overtaken(parts, drive, tags[0].strip('"'))
    changed = (
        found.changed if found else EVERYTHING
    )  # found is None where the tag is a weak one, which never fits
    what = "the settings" if changed == EVERYTHING else ", ".join(changed)
    who = f" by {found.entry.by} at {rfc3339(found.entry.at_ns)}" if found and found.entry else ""
    detail = (
        f"{what} of {drive.drive_id} changed{who} since you read them, and nothing was stored: GET the drive again, and "
        "make your change to what it is now"
    )
    return ProblemError(412, detail, more={"changed": list(changed)})
