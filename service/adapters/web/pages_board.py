"""The board: every drive, what needs doing first on top. The page, its summary, and the stream that keeps both live.

Filters and grouping stand in the address, so that a link keeps them and no script is needed. A row is drawn in one place, the
template `board_row.html`: the page is made of rows, and the stream sends one anew where more of it has changed than its numbers.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import HTMLResponse, Response
from markupsafe import Markup
from pydantic import BaseModel, Field

from service.adapters.web import texts
from service.adapters.web.board_rows import BoardRows, Row, counts
from service.adapters.web.live import EventStream, Live, News
from service.adapters.web.pages_alerts import dead_routes
from service.adapters.web.parts import PartsDep, WebSettings
from service.adapters.web.problems import ProblemError
from service.adapters.web.row_words import NEEDS, Numbers, numbers_of, words_of
from service.adapters.web.templating import macro, render
from service.core.urgency import Need

router = APIRouter()

GROUPINGS = {
    "need": "what needs doing",
    "site": "site",
    "area": "area",
    "line": "line",
    "drive_class": "class",
    "none": "nothing",
}
PLACES = {"site": "Site", "area": "Area", "line": "Line", "drive_class": "Class"}
RECENT_S = 1.0  # so old the rows may be where they are read once a second for open boards anyway
WITHOUT = {
    "site": "Without a site",
    "area": "Without an area",
    "line": "Without a line",
    "drive_class": "Without a class",
}


class Asked(BaseModel):
    """Which drives are asked for, and how they are grouped. What is none of what there is counts as left out."""

    site: str = Field(default="", max_length=200)
    area: str = Field(default="", max_length=200)
    line: str = Field(default="", max_length=200)
    drive_class: str = Field(default="", max_length=200)
    q: str = Field(default="", max_length=100)
    need: str = Field(default="", max_length=20)
    group: str = Field(default="need", max_length=20)

    def model_post_init(self, context: Any) -> None:
        """Leave out what is nothing."""
        del context
        if self.need not in tuple(Need):
            self.need = ""
        if self.group not in GROUPINGS:
            self.group = "need"
        self.q = " ".join(self.q.split())

    def __getitem__(self, name: str) -> str:
        """A filter by its name, for the form."""
        return str(getattr(self, name))

    def is_there(self, row: Row) -> bool:
        """Whether a drive is in the places, of the class, and found by the search; whatever its need."""
        drive = row.drive
        return all(
            asked in {"", is_so} for asked, is_so in ((self[name], getattr(drive, name)) for name in PLACES)
        ) and all(word in searched(row) for word in self.q.casefold().split())

    def passes(self, row: Row) -> bool:
        """Whether a drive is asked for."""
        return self.need in {"", row.need} and self.is_there(row)

    def group_of(self, row: Row) -> str:
        """Which group a drive belongs to."""
        if self.group == "need":
            return str(row.need)
        return "" if self.group == "none" else str(getattr(row.drive, self.group))

    @property
    def narrows(self) -> bool:
        """Whether not all drives are asked for."""
        return any(self[name] for name in (*PLACES, "q", "need"))

    @property
    def query(self) -> str:
        """What of an address asks for the same."""
        return self._query({})

    @property
    def cleared(self) -> str:
        """The address of all drives, grouped likewise."""
        return "/" if self.group == "need" else f"/?group={self.group}"

    def address(self, **other: str) -> str:
        """Return the address of the same with something else in it."""
        query = self._query(other)
        return f"/?{query}" if query else "/"

    def _query(self, other: dict[str, str]) -> str:
        values = {**self.model_dump(), **other}
        kept = {name: value for name, value in values.items() if value and (name, value) != ("group", "need")}
        return urlencode(kept)


def searched(row: Row) -> str:
    """Return all that a search looks in: names and places of a drive, and what chain is on it."""
    drive, chain = row.drive, row.state.chain
    texts = (drive.drive_id, drive.name, drive.site, drive.area, drive.line, drive.drive_class)
    return " ".join((*texts, chain.designation if chain else "")).casefold()


AskedDep = Annotated[Asked, Query()]


# The page


@dataclass(frozen=True, slots=True)
class Group:
    """Rows under one heading: a title of ours, or a place as people named it; none where both are empty."""

    key: str
    title: str
    place: str
    rows: list[Markup]


@router.get("/", response_class=HTMLResponse)
def board(request: Request, parts: PartsDep, asked: AskedDep) -> HTMLResponse:
    """All drives that are asked for, what needs doing first on top."""
    now_ns = parts.now_ns()
    after = parts.board_lives[
        texts.language()
    ].newest_id  # before the rows are read: what comes meanwhile is sent again, none is missed
    is_followed = any(each.clients for each in parts.board_lives.values())
    rows = parts.board_rows.recent(now_ns, RECENT_S) if is_followed else parts.board_rows.read(now_ns)
    values = {
        "asked": asked,
        "groups": groups_of(rows, asked, drawer(parts.settings, now_ns)),
        "sightings": len(parts.refused.sightings()),
        "choices": choices(rows, asked),
        "groupings": GROUPINGS.items(),
        "after": after,
        "dead_routes": dead_routes(parts),
        **_summary(rows, asked),
    }
    return render(request, "board.html", values, now_ns=now_ns)


@router.get("/board/summary", response_class=HTMLResponse)
def summary(parts: PartsDep, asked: AskedDep) -> HTMLResponse:
    """How many drives have each need: what stands above the board, for a page that is open."""
    rows = parts.board_rows.recent(parts.now_ns(), RECENT_S)
    values = _summary(rows, asked)
    draw = macro("board_parts.html", "summary")
    return HTMLResponse(draw(values["needs"], asked, values["total"], values["shown"]))


def _summary(rows: Sequence[Row], asked: Asked) -> dict[str, Any]:
    there = [each for each in rows if asked.is_there(each)]
    found = counts(there)
    return {
        "needs": [(need, NEEDS[need], found[need]) for need in Need],
        "total": len(rows),
        "shown": sum(asked.passes(each) for each in there),
    }


def groups_of(rows: Iterable[Row], asked: Asked, draw: Callable[[Row], Markup]) -> list[Group]:
    """Return the drives that are asked for in groups: the group with the most urgent drive first. Needs are there without any too."""
    found: dict[str, list[Markup]] = {str(need): [] for need in Need} if asked.group == "need" else {}
    for row in rows:
        if asked.passes(row):
            found.setdefault(asked.group_of(row), []).append(draw(row))
    return [Group(key, *heading_of(asked, key), drawn) for key, drawn in found.items()]


def heading_of(asked: Asked, key: str) -> tuple[str, str]:
    """Return the heading of a group: a title of ours, or the place."""
    if asked.group == "need":
        return NEEDS[Need(key)], ""
    if asked.group == "none":
        return "", ""
    return ("", key) if key else (WITHOUT[asked.group], "")


def choices(rows: Iterable[Row], asked: Asked) -> list[tuple[str, str, list[str]]]:
    """Return what each filter may ask for: the names that drives have, areas and lines of the site that is asked for."""
    known = [row.drive for row in rows]
    found = []
    for name, label in PLACES.items():
        above = [each for each in ("site", "area") if name in {"area", "line"} and each != name]
        within = [
            drive for drive in known if all(asked[each] in {"", getattr(drive, each)} for each in above)
        ]
        found.append((name, label, sorted({getattr(drive, name) for drive in within} - {""})))
    return found


# Rows, drawn


def drawer(settings: WebSettings, now_ns: int) -> Callable[[Row], Markup]:
    """Return what draws a row, in the language spoken now."""
    draw = macro("board_row.html", "row")

    def drawn(row: Row) -> Markup:
        said, numbers = words_of(row, settings.zone), numbers_of(row)
        return draw(row.rank, said, numbers, now_ns, settings.stale_after_s)

    return drawn


# The stream


@router.get("/board/stream", response_class=EventStream)
async def stream(
    parts: PartsDep,
    asked: AskedDep,
    last_event_id: Annotated[str, Header()] = "",
    after: Annotated[str, Query(max_length=100)] = "",
) -> Response:
    """What keeps an open board live: `row` where more than numbers changed, `numbers` where only these did."""
    live = parts.board_lives[texts.language()]
    if (
        sum(each.clients for each in (parts.live, *parts.board_lives.values()))
        >= parts.settings.stream_clients_max
    ):
        raise ProblemError(503, "too many pages are open already: close some, or try again later")
    rows = parts.board_rows
    in_places = any(asked[name] for name in (*PLACES, "q"))
    return EventStream(
        live.events(last_event_id or after, (lambda key: _wants(rows, asked, key)) if in_places else None)
    )


def _wants(rows: BoardRows, asked: Asked, key: str) -> bool:
    row = rows.by_id.get(key.partition(" ")[0])
    return row is None or asked.is_there(row)


def lives(rows: BoardRows, settings: WebSettings, now_ns: Callable[[], int]) -> dict[str, Live]:
    """Return what keeps boards live in each language."""
    return {
        language: Live(
            _look_in(language, rows, settings, now_ns), period_s=settings.stream_period_s, now_ns=now_ns
        )
        for language in texts.languages()
    }


def _look_in(
    language: str, rows: BoardRows, settings: WebSettings, now_ns: Callable[[], int]
) -> Callable[[], Sequence[News]]:
    """Return what one of them looks with: two kinds of news of each drive, the row as it is drawn and its numbers."""

    def look() -> list[News]:
        at_ns = now_ns()
        found = []
        for row in rows.recent(at_ns, settings.stream_period_s / 2):
            said, numbers = words_of(row, settings.zone), numbers_of(row)
            drive_id = row.drive.drive_id
            drawn = partial(_row_event, language, row, settings, at_ns)
            told = partial(_numbers_event, language, row, numbers)
            found.append(News(f"{drive_id} row", said, drawn, "row"))
            found.append(News(drive_id, (numbers, row.rank), told, "numbers"))
        return found

    return look


def _row_event(language: str, row: Row, settings: WebSettings, now_ns: int) -> bytes:
    with texts.speak(language):
        html = drawer(settings, now_ns)(row)
    groups = {name: getattr(row.drive, name) for name in PLACES}
    return _json({"id": row.drive.drive_id, "need": row.need, **groups, "html": html})


def _numbers_event(language: str, row: Row, numbers: Numbers) -> bytes:
    with texts.speak(language):
        told = {
            name: texts.told(each) if isinstance(each, str) else each
            for name, each in asdict(numbers).items()
        }
    return _json({"id": row.drive.drive_id, "rank": row.rank, **told})


def _json(told: dict[str, Any]) -> bytes:
    return json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()
