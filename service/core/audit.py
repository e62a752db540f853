"""What a person changed: who, when, what, old and new, and why.

Knows fields and their values; must not know what they mean, nor where entries are kept. An entry holds only what differs,
and never a secret: a field whose name says that it is one is left out, whatever its value.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from enum import Enum, IntEnum

from service.core.fields import instant_problem, refuse

Value = str | int | float | bool | None

TEXT_CHARS_MAX = 4000
_SECRETS = ("password", "secret", "hash")  # in the name of a field


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEntry:
    """One change.

    by: who, a person's or a token's name. what: in words, as "drive changed". subject: what was changed, as
    "drive press-3". old, new: field to value, of the fields that differ; `old` is empty for what was not there before.
    number: counts entries in the order in which they were stored; 0: not stored yet.
    """

    at_ns: int
    by: str
    what: str
    subject: str
    old: Mapping[str, Value] = field(default_factory=dict)
    new: Mapping[str, Value] = field(default_factory=dict)
    why: str = ""
    number: int = 0

    def __post_init__(self) -> None:
        """Refuse an entry that does not say who changed what. Raises FieldsRefusedError."""
        refuse(
            at_ns=instant_problem(self.at_ns),
            by=None if self.by else "say who made the change",
            what=None if self.what else "say what was done",
            subject=None if self.subject else "say what was changed",
        )


def entry_of(  # noqa: PLR0913 - what there is to say of a change, all by name
    *,
    at_ns: int,
    by: str,
    what: str,
    subject: str,
    old: object | None = None,
    new: object | None = None,
    why: str = "",
) -> AuditEntry:
    """Return the entry of a change, with the fields that differ between two records, or all of the one there is.

    Args:
        at_ns: when.
        by: who.
        what: in words, as "drive changed".
        subject: what was changed, as "drive press-3".
        old: dataclass or mapping before the change; None where there was none.
        new: the same after it; None where there is none any more.
        why: in the person's words.
    """
    before, after = _values(old), _values(new)
    if old is not None and new is not None:
        names = [name for name in {**before, **after} if before.get(name) != after.get(name)]
        before = {name: before[name] for name in names if name in before}
        after = {name: after[name] for name in names if name in after}
    return AuditEntry(at_ns=at_ns, by=by, what=what, subject=subject, old=before, new=after, why=why)


def _values(of: object | None) -> dict[str, Value]:
    if of is None:
        return {}
    if isinstance(of, Mapping):
        pairs = {str(name): value for name, value in of.items()}
    elif is_dataclass(of):
        pairs = {each.name: getattr(of, each.name) for each in fields(of)}
    else:
        raise TypeError(f"{type(of).__name__} has no fields: give a dataclass or a mapping")
    return {name: _plain(value) for name, value in pairs.items() if not _is_secret(name)}


def _is_secret(name: str) -> bool:
    return any(part in name.lower() for part in _SECRETS)


def _plain(value: object) -> Value:
    """The value as JSON can hold it; a long text is cut."""
    if isinstance(value, IntEnum):
        return value.name.lower()
    if isinstance(value, Enum):
        return _plain(value.value)
    if value is None or isinstance(value, bool | int | float):
        return value
    text = ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
    return text if len(text) <= TEXT_CHARS_MAX else f"{text[: TEXT_CHARS_MAX - 3]}..."
