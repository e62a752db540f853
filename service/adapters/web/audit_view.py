"""What people did, as one list: changes of the audit log, and answers to alerts, which stand in the histories of the alerts.

The audit log is turned by pages; each page takes along the answers that were recorded between its oldest entry and the page before.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.core.alert import SYSTEM, Transition
from service.core.audit import AuditEntry
from service.ports import AlertLog, AuditLog

ENTRIES_SHOWN = 50
ANSWERS_SHOWN = 100
TRANSITIONS_MAX = 5_000  # looked through for the answers of one page
FOR_EVER_NS = 2**63 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """One thing that somebody did: a change, or an answer to an alert."""

    at_ns: int
    by: str
    entry: AuditEntry | None = None
    answer: Transition | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page, the newest first. older: the `before` of the next one, None on the last. cut: answers are left out."""

    done: Sequence[Done]
    older: int | None
    cut: bool


def page_of(
    audit_log: AuditLog, alert_log: AlertLog, *, before: int | None, subject: str = "", by: str = ""
) -> Page:
    """Return what people did before an entry of the audit log, of one subject or by one person where these are given."""
    found = audit_log.entries(
        before=before, subject=subject or None, by=by or None, rows_max=ENTRIES_SHOWN + 1
    )
    shown = found[:ENTRIES_SHOWN]
    older = shown[-1].number if len(found) > ENTRIES_SHOWN else None
    from_ns = shown[-1].at_ns - 1 if older is not None else -1
    answers, cut = _answers(alert_log, subject, from_ns, _until_ns(audit_log, before))
    answers = [each for each in answers if not by or each.act.by == by]
    done = [
        *(Done(at_ns=each.at_ns, by=each.by, entry=each) for each in shown),
        *(Done(at_ns=each.act.recorded_ns, by=each.act.by, answer=each) for each in answers[-ANSWERS_SHOWN:]),
    ]
    done.sort(key=lambda each: each.at_ns, reverse=True)
    return Page(done=done, older=older, cut=cut or len(answers) > ANSWERS_SHOWN)


def _until_ns(audit_log: AuditLog, before: int | None) -> int:
    """Return up to when answers belong to a page: those from the oldest entry of the page before on stand on that one."""
    if before is None:
        return FOR_EVER_NS
    last = audit_log.entries(before=before + 1, rows_max=1)
    return last[0].at_ns - 1 if last else FOR_EVER_NS


def _answers(alert_log: AlertLog, subject: str, from_ns: int, until_ns: int) -> tuple[list[Transition], bool]:
    """Return what people did to alerts in a span, and whether some of it may be left out."""
    if not subject:
        found = alert_log.recorded(from_ns, until_ns, TRANSITIONS_MAX)
    elif subject.startswith("alert "):
        found = alert_log.of_alert(subject.removeprefix("alert "))
    else:
        return [], False
    answers = [each for each in found if each.act.by != SYSTEM and from_ns < each.act.recorded_ns <= until_ns]
    return answers, len(found) == TRANSITIONS_MAX
