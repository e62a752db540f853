"""The page that all settings are found from: of each matter one line of what there is now, and one of what is missing."""

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.templating import render
from service.core.audit import AuditEntry
from service.core.drive import chain_at

router = APIRouter()

NAMED_MAX = 3  # drives that a line names


@dataclass(frozen=True, slots=True, kw_only=True)
class Lacking:
    """Drives that lack something: how many, and the first few."""

    count: int
    first: tuple[str, ...]

    @classmethod
    def of(cls, drive_ids: list[str]) -> "Lacking":
        """Return it of the drives themselves."""
        return cls(count=len(drive_ids), first=tuple(drive_ids[:NAMED_MAX]))


@router.get("/settings", response_class=HTMLResponse)
def settings_page(request: Request, parts: PartsDep) -> HTMLResponse:
    """All that people set, and what is still to be set."""
    now_ns = parts.now_ns()
    values = _of_drives(parts, now_ns) | _of_work(parts, now_ns)
    return render(request, "settings.html", values | _of_people(parts), now_ns=now_ns)


def _of_drives(parts: Parts, now_ns: int) -> dict[str, Any]:
    everything = parts.register.drives(retired=True)
    drives = [each for each in everything if each.retired_ns is None]
    chains = parts.register.chains()
    based = {each.chain_id for each in parts.register.baselines()}
    on = {each.drive_id: each for each in chains if chain_at([each], now_ns) is not None}
    with_sensors = [each for each in drives if each.whole_pitches is not None]
    return {
        "drives": len(drives),
        "retired": len(everything) - len(drives),
        "by_hand": len(drives) - len(with_sensors),
        "chains_on": sum(each.drive_id in on for each in drives),
        "chains_off": sum(each.removed_ns is not None for each in chains),
        "without_chain": Lacking.of([each.drive_id for each in drives if each.drive_id not in on]),
        "without_baseline": Lacking.of(
            [
                each.drive_id
                for each in with_sensors
                if each.drive_id in on and on[each.drive_id].chain_id not in based
            ]
        ),
        "sites": sorted({each.site for each in drives if each.site}),
        "without_site": sum(not each.site for each in drives),
        "classes": sorted({each.drive_class for each in drives if each.drive_class}),
        "without_class": sum(not each.drive_class for each in drives),
        "sightings": len(parts.refused.sightings()),
    }


def _of_work(parts: Parts, now_ns: int) -> dict[str, Any]:
    sites = parts.hand_over.sites()
    routes = parts.set_routes.states()
    supplies = parts.plan_changes.supplies()
    return {
        "all_sites": sites,
        "without_shifts": [each.site for each in sites if not each.pattern.slots],
        "setpoints": len(parts.set_setpoints.overrides()),
        "supplies": len(supplies),
        "with_lead": any(each.lead_days is not None for each in supplies),
        "stops": len(parts.plan_changes.planned_stops(ends_after_ns=now_ns)),
        "routes": [each.route for each in routes if each.route.enabled],
        "failing": [each.route.name or each.route.route_id for each in routes if each.delivery.failures],
        "with_people": any(each.route.enabled and not each.route.built_in for each in routes),
    }


def _of_people(parts: Parts) -> dict[str, Any]:
    newest: list[AuditEntry] = parts.audit_log.entries(rows_max=1)
    people = parts.people.people()
    return {
        "logins_on": parts.logins is not None,
        "people": sum(each.locked_ns is None for each in people),
        "tokens": sum(each.revoked_ns is None for each in parts.tokens.tokens()),
        "newest_entry": newest[0] if newest else None,
    }
