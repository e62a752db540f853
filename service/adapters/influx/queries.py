"""The statements of InfluxQL that readers ask, and pages of what they give.

Knows how a statement is said so that every InfluxDB from 1.8 on answers it: one statement a request, time bound on both sides,
values bound by name, rows counted. Must not know what is made of rows.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from service.adapters.influx.client import InfluxClient
from service.adapters.influx.lines import tag, text_of

PAGE = 10_000  # rows of one answer
_SPARE = 20  # rows asked for besides those wanted: some may not count any more
DRIVES_AT_ONCE = 200  # named in one statement
INSTANT_NS_MAX = 2**63 - 2  # the last that InfluxDB knows

Of = Callable[[str, list[list[Any]]], list[Any]]


class Source(NamedTuple):
    """What is asked for: columns of points of a measurement, with a condition of their tags or fields besides.

    chains: of drives of which only one chain is asked for, that chain.
    """

    measurement: str
    columns: Sequence[str]
    condition: str = ""
    chains: Mapping[str, str] = MappingProxyType({})


def newest_first(
    client: InfluxClient, source: Source, drive_id: str, from_ns: int, to_ns: int, wanted: int
) -> Iterator[list[list[Any]]]:
    """Yield pages of rows of a drive with from_ns < time <= to_ns, the newest first, until there are no more.

    Rows of one instant come in one page. wanted: how many the reader will most likely take.
    """
    size = min(wanted + _SPARE, PAGE)
    while from_ns < to_ns:
        rows = _rows(client, source, [drive_id], (from_ns, to_ns), f"ORDER BY time DESC LIMIT {size}")
        if len(rows) < size:
            yield rows
            return
        cut_ns = rows[-1][0]
        together = _rows(client, source, [drive_id], (cut_ns - 1, cut_ns), f"LIMIT {PAGE}")
        yield [row for row in rows if row[0] > cut_ns] + together
        to_ns = cut_ns - 1


def oldest_first(
    client: InfluxClient, source: Source, drive_ids: Sequence[str], from_ns: int, to_ns: int
) -> Iterator[tuple[str, list[list[Any]]]]:
    """Yield (drive, rows) with from_ns < time <= to_ns, page by page, the oldest first, of each drive that has any."""
    for start in range(0, len(drive_ids), DRIVES_AT_ONCE):
        some = drive_ids[start : start + DRIVES_AT_ONCE]
        after_ns = from_ns
        while after_ns < to_ns:
            page = _by_drive(client, source, some, (after_ns, to_ns), f"ORDER BY time ASC LIMIT {PAGE}")
            full = sum(len(rows) for rows in page.values()) >= PAGE
            if full:
                cut_ns = max(rows[-1][0] for rows in page.values())
                together = _by_drive(client, source, some, (cut_ns - 1, cut_ns), "")
                page = {
                    drive_id: [row for row in page.get(drive_id, []) if row[0] < cut_ns]
                    + together.get(drive_id, [])
                    for drive_id in some
                }
                after_ns = cut_ns
            yield from ((drive_id, rows) for drive_id, rows in page.items() if rows)
            if not full:
                break


def first_of_each(
    client: InfluxClient,
    source: Source,
    drive_ids: Sequence[str],
    range_ns: tuple[int, int],
    wanted: int,
    *,
    oldest: bool,
) -> tuple[dict[str, list[list[Any]]], set[str]]:
    """Return the newest (oldest) rows of each drive, some more than wanted, and the drives of which there may be others.

    Of these rows of the last instant are left out, for some of it may be missing.
    """
    size, found, cut = wanted + _SPARE, dict[str, list[list[Any]]](), set[str]()
    order = "ASC" if oldest else "DESC"
    columns = ", ".join(f'"{name}"' for name in source.columns)
    for start in range(0, len(drive_ids), DRIVES_AT_ONCE):
        where, values = _where(source, drive_ids[start : start + DRIVES_AT_ONCE], range_ns)
        statement = (
            f'SELECT {columns} FROM "{source.measurement}" {where} '  # noqa: S608
            f'GROUP BY "drive" ORDER BY time {order} LIMIT {size}'
        )
        for each in client.query(statement, **values):
            drive_id, rows = text_of(each.tags["drive"]) or "", each.rows
            if len(rows) >= size:
                cut.add(drive_id)
                rows = [row for row in rows if row[0] != rows[-1][0]]
            found[drive_id] = rows
    return found, cut


def at_cut(
    client: InfluxClient, source: Source, drive_id: str, from_ns: int, to_ns: int, place: int
) -> int | None:
    """Return the time of the row at a place (1 is the oldest), or None where there are fewer."""
    rows = _rows(
        client, source, [drive_id], (from_ns, to_ns), f"ORDER BY time ASC LIMIT 1 OFFSET {place - 1}"
    )
    return int(rows[0][0]) if rows else None


def counts(
    client: InfluxClient, source: Source, from_ns: int, to_ns: int, drive_id: str | None = None
) -> dict[str, int]:
    """Return how many rows each drive has with from_ns < time <= to_ns, of those that have any; or one drive."""
    counted = source._replace(columns=())
    drives = [] if drive_id is None else [drive_id]
    where, values = _where(counted, drives, (from_ns, to_ns))
    statement = f'SELECT COUNT("{source.columns[0]}") FROM "{source.measurement}" {where} GROUP BY "drive"'  # noqa: S608
    return {each.tags["drive"]: int(each.rows[0][1]) for each in client.query(statement, **values)}


def delete(client: InfluxClient, source: Source, drive_id: str, from_ns: int, to_ns: int) -> None:
    """Delete what there is of a drive with from_ns < time <= to_ns."""
    where, values = _where(source, [drive_id], (from_ns, to_ns))
    client.query(f'DELETE FROM "{source.measurement}" {where}', **values)  # noqa: S608


def _rows(
    client: InfluxClient, source: Source, drive_ids: Sequence[str], range_ns: tuple[int, int], more: str
) -> list[list[Any]]:
    return [row for rows in _by_drive(client, source, drive_ids, range_ns, more).values() for row in rows]


def _by_drive(
    client: InfluxClient, source: Source, drive_ids: Sequence[str], range_ns: tuple[int, int], more: str
) -> dict[str, list[list[Any]]]:
    """Return rows whose columns are time and those of the source, by drive."""
    where, values = _where(source, drive_ids, range_ns)
    names = ("drive", *source.columns) if len(drive_ids) > 1 else source.columns
    columns = ", ".join(f'"{name}"' for name in names)
    found = client.query(f'SELECT {columns} FROM "{source.measurement}" {where} {more}'.strip(), **values)  # noqa: S608
    rows = [row for each in found for row in each.rows]
    if len(drive_ids) == 1:
        return {drive_ids[0]: rows} if rows else {}
    by_drive: dict[str, list[list[Any]]] = {}
    for row in rows:
        by_drive.setdefault(row.pop(1), []).append(row)
    return by_drive


def _where(
    source: Source, drive_ids: Sequence[str], range_ns: tuple[int, int]
) -> tuple[str, dict[str, str | float]]:
    from_ns, to_ns = range_ns
    values: dict[str, str | float] = {}
    each_drive = []
    for at, drive_id in enumerate(drive_ids):
        values[f"d{at}"] = tag(drive_id)
        if drive_id in source.chains:
            values[f"c{at}"] = tag(source.chains[drive_id])
            each_drive.append(f'("drive" = $d{at} AND "chain" = $c{at})')
        else:
            each_drive.append(f'"drive" = $d{at}')
    drives = " OR ".join(each_drive)
    parts = [f"time > {int(from_ns)}", f"time <= {int(min(to_ns, INSTANT_NS_MAX))}"]
    parts += [f"({drives})"] if drives else []
    parts += [source.condition] if source.condition else []
    return f"WHERE {' AND '.join(parts)}", values
