"""The wall: a page for a large screen, read from five metres away, that turns over its pages by itself, worst drives first.

Whoever may read the board may read it. A screen that nobody signs in at shows a token of its own: a person types or pastes it once
into a form, and the browser keeps it in a cookie that goes to the wall alone (`access`). It is never in an address, so neither in
histories nor in logs. Only a token for nothing but the wall is taken, so that a screen in a hall holds no key to more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field

from service.adapters.web.access import WALL, give_wall_cookie, is_for_wall
from service.adapters.web.allowed import needs
from service.adapters.web.board_rows import Row, counts
from service.adapters.web.instants import SECOND_NS, local, zone_name
from service.adapters.web.pages_board import Asked
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.row_words import numbers_of, words_of
from service.adapters.web.templating import render
from service.core.people import Role
from service.core.urgency import Need

router = APIRouter()
open_router = APIRouter()  # for a screen that is not known yet

ROWS_A_PAGE = 5  # as many as there is room for at the size of type that five metres ask for (wall.css)
PAGES_MAX = 12  # more nobody waits for: what comes after needs nothing soon, or far too much does
EVERY_S = (5, 12, 120)  # least, usual and most seconds that a page stays
RECENT_S = 1.0
COUNTS = {
    Need.REACHED: "at limit",
    Need.UNANSWERED: "unanswered",
    Need.LATE: "order now",
    Need.SENSING: "no number",
    Need.REST: "others",
}


class AskedWall(BaseModel):
    """Which drives a wall shows, which of its pages, and for how long each stays."""

    site: str = Field(default="", max_length=200)
    area: str = Field(default="", max_length=200)
    line: str = Field(default="", max_length=200)
    drive_class: str = Field(default="", max_length=200)
    page: str = Field(default="1", max_length=5)
    every: str = Field(default="", max_length=5)

    @property
    def every_s(self) -> int:
        """Seconds that a page stays."""
        least, usual, most = EVERY_S
        return (
            min(max(int(self.every), least), most) if self.every.isascii() and self.every.isdigit() else usual
        )

    @property
    def drives(self) -> Asked:
        """The same as the board asks."""
        return Asked(site=self.site, area=self.area, line=self.line, drive_class=self.drive_class)


@dataclass(frozen=True, slots=True)
class Turned:
    """One page of the wall. more: drives that are on no page."""

    rows: Sequence[Row]
    page: int
    pages: int
    more: int


def turned_to(rows: Sequence[Row], page: str) -> Turned:
    """Return a page by its number, counted on from the first again after the last."""
    pages = min(max(1, -(-len(rows) // ROWS_A_PAGE)), PAGES_MAX)
    asked = int(page) if page.isascii() and page.isdigit() else 1
    number = (max(asked, 1) - 1) % pages + 1
    shown = rows[(number - 1) * ROWS_A_PAGE : number * ROWS_A_PAGE]
    return Turned(shown, number, pages, max(0, len(rows) - PAGES_MAX * ROWS_A_PAGE))


@router.get(WALL, response_class=HTMLResponse, dependencies=[needs(Role.VIEWER)])
def wall(request: Request, parts: PartsDep, asked: Annotated[AskedWall, Query()]) -> HTMLResponse:
    """One page of drives, the worst on the first, with counts, clock, and how old all of it is."""
    now_ns = parts.now_ns()
    drives = asked.drives
    rows = [each for each in parts.board_rows.recent(now_ns, RECENT_S) if drives.passes(each)]
    turned, found = turned_to(rows, asked.page), counts(rows)
    newest_ns = max((each.state.reading.t_ns for each in rows if each.state.reading), default=None)
    zone = zone_of(parts, asked.site)
    at = local(now_ns, zone)
    values: dict[str, Any] = {
        "rows": [(words_of(each, zone), numbers_of(each)) for each in turned.rows],
        "turned": turned,
        "next": f"{WALL}?{_query(asked, turned)}",
        "counts": [(need, COUNTS[need], found[need]) for need in Need],
        "where": " / ".join(each for each in (asked.site, asked.area, asked.line, asked.drive_class) if each),
        "newest_ms": None if newest_ns is None else newest_ns // 1_000_000,
        "every_s": asked.every_s,
        "clock": at.strftime("%H:%M:%S"),
        "offset_s": round((at.utcoffset() or at - at).total_seconds()),
        "of_zone": zone_name(now_ns, zone),
        "weekday": at.isoweekday(),
    }
    return render(request, "wall.html", values, now_ns=now_ns)


def _query(asked: AskedWall, turned: Turned) -> str:
    address = asked.drives.address(group="need").partition("?")[2]
    every = f"every={asked.every_s}" if asked.every else ""
    return "&".join(each for each in (address, every, f"page={turned.page % turned.pages + 1}") if each)


def zone_of(parts: Parts, site: str) -> tzinfo:
    """Return the zone of a site's clocks; of all sites together that of the settings."""
    if site:
        for each in parts.hand_over.sites():
            if each.site == site:
                return each.zone_info
    return parts.settings.zone


# A screen that nobody signs in at


@open_router.get(f"{WALL}/key", response_class=HTMLResponse)
def key_page(request: Request, parts: PartsDep) -> Response:
    """A form for the token of a screen."""
    return RedirectResponse(WALL, 303) if parts.logins is None else _key_page(request, "")


@open_router.post(f"{WALL}/key", response_class=HTMLResponse)
async def take_key(request: Request, parts: PartsDep) -> Response:
    """Have the browser keep a token for the wall, or say what is wrong with it."""
    if parts.logins is None:
        return RedirectResponse(WALL, 303)
    form, now_ns = await request.form(), parts.now_ns()
    text = str(form.get("token", "")).strip()[:200]
    token = parts.logins.sign_in.by_token(text, now_ns)
    if token is None:
        return _key_page(
            request, "there is no such token, or it is expired or revoked: copy it again, or make another one"
        )
    if not is_for_wall(token):
        return _key_page(
            request,
            "this token may do more than show the wall, and a screen in a hall must not hold it: make one for viewers and "
            "for the part wall only",
        )
    answer = RedirectResponse(WALL, 303)
    give_wall_cookie(request, answer, text, (token.expires_ns - now_ns) // SECOND_NS)
    return answer


def _key_page(request: Request, wrong: str) -> HTMLResponse:
    return render(request, "wall_key.html", {"wrong": wrong}, status=403 if wrong else 200)
