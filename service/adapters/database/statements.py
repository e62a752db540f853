"""The statements of the time series, built once.

Knows how storing, rolling up and forgetting are said in SQL; must not know who runs them. Those that take many rows in
one call take their values by position; each says which.
"""

import itertools
from functools import partial
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Delete,
    FromClause,
    Insert,
    Integer,
    ScalarSelect,
    Select,
    and_,
    bindparam,
    case,
    cast,
    delete,
    exists,
    func,
    literal,
    or_,
    select,
    tuple_,
    update,
)

from service.adapters.database import tables
from service.adapters.database.dialect import Positional, greater, in_order, insert_into
from service.ports import Resolution

S = 1_000_000_000  # nanoseconds
FINER = {Resolution.HOUR: Resolution.MINUTE, Resolution.DAY: Resolution.HOUR}
COARSER = {None: Resolution.MINUTE, Resolution.MINUTE: Resolution.HOUR, Resolution.HOUR: Resolution.DAY}

_IDENTITY = ("drive_no", "t0_ns", "seq", "device")

_r, _d, _n, _u = tables.reading.c, tables.due.c, tables.newest.c, tables.roll_up.c
_drive = tables.drive_number.c

# The columns of a Reading but for its drive, in the order of the table.
READING_COLUMNS = list(_r)[1:]

_s = tables.superseded_reading.c
# at_ns and why, then those of READING_COLUMNS.
SUPERSEDED_COLUMNS = [_s.at_ns, _s.why, *(_s[column.name] for column in READING_COLUMNS)]

# The columns of a RollUp but for its drive, in the order of its fields.
ROLL_UP_COLUMNS = [
    _u.chain_no, _u.end_ns, _u.readings, _u.measured, _u.mean_pct, _u.min_pct, _u.max_pct, _u.last_pct,
    _u.mean_u_pct, _u.mean_speed_m_s, _u.pulses,
]  # fmt: skip


def end_of_interval_ns(t_ns: int, resolution: Resolution) -> int:
    """Return the end of the interval (end - resolution, end] that t_ns falls into."""
    length_ns = resolution * S
    return -(-t_ns // length_ns) * length_ns


def _end_in_sql(t_ns: ColumnElement[int], resolution: Resolution) -> ColumnElement[int]:
    """`end_of_interval_ns` for t_ns > 0: whole-number division drops the remainder in both."""
    length_ns = literal(resolution * S)
    return (t_ns + (length_ns - 1)) // length_ns * length_ns


def _insert_reading() -> Positional:
    values: dict[str, Any] = {column.name: bindparam(column.name) for column in _r}
    statement = insert_into(tables.reading).values(values)
    return Positional(statement.on_conflict_do_nothing())


def _select_reading() -> Positional:
    query = select(*list(_r)[4:])
    return Positional(query.where(*(_r[name] == bindparam(f"is_{name}") for name in _IDENTITY)))


def _update_reading() -> Positional:
    values: dict[str, Any] = {column.name: bindparam(column.name) for column in list(_r)[4:]}
    is_it = (_r[name] == bindparam(f"is_{name}") for name in _IDENTITY)
    return Positional(update(tables.reading).where(*is_it).values(values))


def _insert_superseded() -> Positional:
    values: dict[str, Any] = {name: bindparam(name) for name in ("at_ns", "why", *_r.keys())}
    return Positional(insert_into(tables.superseded_reading).values(values))


def _delete_stale_newest() -> Positional:
    """Take out a newest one that was changed and is no longer what it is there for."""
    return Positional(
        delete(tables.newest).where(
            *(_n[name] == bindparam(f"is_{name}") for name in _IDENTITY),
            or_(_n.t_ns != bindparam("now_t_ns"), _n.measured > bindparam("now_measured")),
        )
    )


def _insert_due() -> Positional:
    values: dict[str, Any] = {name: bindparam(name) for name in ("resolution_s", "end_ns", "drive_no")}
    return Positional(insert_into(tables.due).values(values).on_conflict_do_nothing())


def _delete_due() -> Positional:
    return Positional(
        delete(tables.due).where(
            _d.resolution_s == bindparam("resolution_s"),
            _d.end_ns == bindparam("end_ns"),
            _d.drive_no == bindparam("drive_no"),
        )
    )


def _upsert_newest() -> Positional:
    """Make a stored reading the newest of its drive if it is; ties are broken by identity.

    What is stored decides: a candidate that is not there with this t_ns (or not measured) changes nothing.
    """
    kind = bindparam("kind", type_=Integer)
    columns = ["measured", "drive_no", "t_ns", "t0_ns", "seq", "device"]
    found = select(kind, _r.drive_no, _r.t_ns, _r.t0_ns, _r.seq, _r.device).where(
        *(_r[name] == bindparam(f"is_{name}") for name in ("drive_no", "t0_ns", "seq", "device", "t_ns")),
        case((_r.elongation_pct.is_(None), 0), else_=1) >= bindparam("measured_at_least", type_=Integer),
    )
    statement = insert_into(tables.newest).from_select(columns, found)
    new, order = statement.excluded, ("t_ns", "t0_ns", "seq", "device")
    return Positional(
        statement.on_conflict_do_update(
            index_elements=[_n.drive_no, _n.measured],
            set_={name: new[name] for name in order},
            where=tuple_(*(new[name] for name in order)) > tuple_(*(_n[name] for name in order)),
        )
    )


def _last(
    value: ColumnElement[Any], source: FromClause, condition: ColumnElement[bool], *order: str
) -> ScalarSelect[Any]:
    """The value of the last row of `source` that has one, among those that meet the condition."""
    query = select(value).select_from(source).where(condition, value.is_not(None))
    return (
        query.order_by(*(source.c[name].desc() for name in order))
        .limit(1)
        .correlate_except(source)
        .scalar_subquery()
    )


def _minutes(database: str) -> Select[Any]:
    """The roll-ups of due minutes, from readings. A chain changed within the minute gives two."""
    length_ns = 60 * S

    def within(source: FromClause) -> ColumnElement[bool]:
        c = source.c
        start_ns = _d.end_ns - length_ns
        return and_(
            c.drive_no == _d.drive_no,
            c.t0_ns > start_ns - _drive.longest_window_ns,
            c.t0_ns <= _d.end_ns,
            c.t_ns > start_ns,
            c.t_ns <= _d.end_ns,
        )

    late = tables.reading.alias("late")
    of_chain = and_(within(late), late.c.chain_no == _r.chain_no)
    in_time = partial(in_order, database)
    key = (_r.t0_ns, _r.seq, _r.device)
    columns = {
        "readings": func.count(),
        "measured": func.count(_r.elongation_pct),
        "mean_pct": func.avg(in_time(_r.elongation_pct, *key)),
        "min_pct": func.min(_r.elongation_pct),
        "max_pct": func.max(_r.elongation_pct),
        "last_pct": _last(late.c.elongation_pct, late, of_chain, "t_ns", "t0_ns", "seq", "device"),
        "mean_u_pct": func.avg(in_time(_r.elongation_u_pct, *key)),
        "mean_speed_m_s": func.avg(in_time(_r.speed_m_s, *key)),
        "speeds": func.count(_r.speed_m_s),
        "pulses": func.sum(_r.up_pulses),
    }
    source = tables.due.join(tables.drive_number, _drive.drive_no == _d.drive_no)
    return _roll_up_query(
        Resolution.MINUTE, source.join(tables.reading, within(tables.reading)), _r.chain_no, columns
    )


def _longer(resolution: Resolution, database: str) -> Select[Any]:
    """The roll-ups of due hours (days), from minutes (hours): means weighted by what went into them."""

    def within(source: FromClause) -> ColumnElement[bool]:
        c = source.c
        return and_(
            c.drive_no == _d.drive_no,
            c.resolution_s == int(FINER[resolution]),
            c.end_ns > _d.end_ns - resolution * S,
            c.end_ns <= _d.end_ns,
        )

    finer, late = tables.roll_up.alias("finer"), tables.roll_up.alias("late")
    f = finer.c
    of_chain = and_(within(late), late.c.chain_no == f.chain_no)
    in_time = partial(in_order, database)
    with_u = case((f.mean_u_pct.is_not(None), f.measured))
    columns = {
        "readings": func.sum(f.readings),
        "measured": func.sum(f.measured),
        "mean_pct": func.sum(in_time(f.mean_pct * f.measured, f.end_ns))
        / func.nullif(func.sum(f.measured), 0),
        "min_pct": func.min(f.min_pct),
        "max_pct": func.max(f.max_pct),
        "last_pct": _last(late.c.last_pct, late, of_chain, "end_ns"),
        "mean_u_pct": func.sum(in_time(f.mean_u_pct * f.measured, f.end_ns)) / func.sum(with_u),
        "mean_speed_m_s": func.sum(in_time(f.mean_speed_m_s * f.speeds, f.end_ns))
        / func.nullif(func.sum(f.speeds), 0),
        "speeds": func.sum(f.speeds),
        "pulses": func.sum(f.pulses),
    }
    return _roll_up_query(resolution, tables.due.join(finer, within(finer)), f.chain_no, columns)


def _roll_up_query(
    resolution: Resolution,
    source: FromClause,
    chain_no: ColumnElement[int],
    columns: dict[str, ColumnElement[Any]],
) -> Select[Any]:
    keys: dict[str, ColumnElement[Any]] = {
        "drive_no": _d.drive_no,
        "resolution_s": _d.resolution_s,
        "end_ns": _d.end_ns,
        "chain_no": chain_no,
    }
    group = [*keys.values(), *([_drive.longest_window_ns] if resolution is Resolution.MINUTE else [])]
    return (
        select(*(value.label(name) for name, value in (keys | columns).items()))
        .select_from(source)
        .where(_d.resolution_s == int(resolution))
        .where(_d.end_ns == bindparam("due_end_ns"), _d.drive_no == bindparam("due_drive_no"))
        .group_by(*group)
    )


def _upsert_roll_up(query: Select[Any]) -> Insert:
    """Write roll-ups, but none over fewer readings than before: its finer data were forgotten meanwhile."""
    names = [column.name for column in query.selected_columns]
    statement = insert_into(tables.roll_up).from_select(names, query)
    return statement.on_conflict_do_update(
        index_elements=list(tables.roll_up.primary_key),
        set_={name: statement.excluded[name] for name in names[4:]},
        where=statement.excluded.readings >= _u.readings,
    )


def _delete_whole_minute() -> Positional:
    in_it = (
        _r.drive_no == _u.drive_no,
        _r.chain_no == _u.chain_no,
        _r.t0_ns > _u.end_ns - 60 * S - _drive.longest_window_ns,
        _r.t0_ns <= _u.end_ns,
        _r.t_ns > _u.end_ns - 60 * S,
        _r.t_ns <= _u.end_ns,
    )
    source = tables.drive_number.join(tables.reading, _drive.drive_no == _r.drive_no)
    return _delete_whole(Resolution.MINUTE, select(func.count()).select_from(source).where(*in_it))


def _delete_whole_longer(resolution: Resolution) -> Positional:
    finer = tables.roll_up.alias("finer")
    in_it = (
        finer.c.drive_no == _u.drive_no,
        finer.c.chain_no == _u.chain_no,
        finer.c.resolution_s == int(FINER[resolution]),
        finer.c.end_ns > _u.end_ns - resolution * S,
        finer.c.end_ns <= _u.end_ns,
    )
    return _delete_whole(resolution, select(func.sum(finer.c.readings)).where(*in_it))


def _delete_whole(resolution: Resolution, parts: Select[Any]) -> Positional:
    """Take out a roll-up whose finer data are all there: what is left of it will be made from them."""
    return Positional(
        delete(tables.roll_up).where(
            _u.resolution_s == int(resolution),
            *(_u[name] == bindparam(f"is_{name}") for name in ("drive_no", "end_ns", "chain_no")),
            _u.readings <= parts.correlate(tables.roll_up).scalar_subquery(),
        )
    )


DAY_MEANS = (
    "end_ns", "readings", "measured", "elongation_pct", "u_pct", "passages", "running", "speed_m_s", "load_n", "temp_c",
)  # fmt: skip


def days(drive_no: int, longest_window_ns: int, from_ns: int, to_ns: int) -> Select[Any]:
    """Means by day and chain of raw readings with from_ns < t_ns <= to_ns: DAY_MEANS, with chain_no in second place."""
    end_ns = _end_in_sql(_r.t_ns, Resolution.DAY)
    ran = _r.speed_m_s > 0
    columns = {
        "end_ns": end_ns,
        "chain_no": _r.chain_no,
        "readings": func.count(),
        "measured": func.count(_r.elongation_pct),
        "elongation_pct": func.avg(_r.elongation_pct),
        "u_pct": func.avg(_r.elongation_u_pct),
        "passages": cast(func.sum(_r.up_pulses), tables.Whole),
        "running": func.avg(case((ran, 1.0), (_r.speed_m_s.is_not(None), 0.0))),
        "speed_m_s": func.avg(case((ran, _r.speed_m_s))),
        "load_n": func.avg(case((ran, _r.load_n))),
        "temp_c": func.avg(case((ran, _r.temp_c))),
    }
    return (
        select(*(value.label(name) for name, value in columns.items()))
        .where(_r.drive_no == drive_no, _r.t_ns > from_ns, _r.t_ns <= to_ns)
        .where(_r.t0_ns > from_ns - longest_window_ns, _r.t0_ns <= to_ns)
        .group_by(end_ns, _r.chain_no)
    )


def samples(
    drive_no: int, longest_window_ns: int, range_ns: tuple[int, int], every_ns: int, rows_max: int
) -> Select[Any]:
    """Of each interval of `every_ns` in the range: its end, then READING_COLUMNS that hold the newest `rows_max` of it, and maybe more.

    The key is in the order of t0_ns, so each interval is sought by it. The cut is where the `rows_max`-th that began last
    began; one that began before it, by no more than the longest window, may have ended after one (as in `readings._newest_raw`).
    """
    from_ns, to_ns = range_ns
    first = select(literal(from_ns + every_ns, tables.Whole).label("end_ns")).cte("ends", recursive=True)
    ends = first.union_all(select(first.c.end_ns + every_ns).where(first.c.end_ns + every_ns <= to_ns))
    end_ns = ends.c.end_ns
    least_ns = end_ns - (every_ns + longest_window_ns) + 1
    cut = select(_r.t0_ns).where(*_ended_in(drive_no, end_ns, every_ns, least_ns))
    cut = cut.order_by(_r.t0_ns.desc()).offset(rows_max - 1).limit(1)
    since_ns = greater(func.coalesce(cut.scalar_subquery() - longest_window_ns, 0), least_ns)
    cuts = select(end_ns, since_ns.label("since_ns")).cte("cuts")
    inside = _ended_in(drive_no, cuts.c.end_ns, every_ns, cuts.c.since_ns)
    return select(cuts.c.end_ns, *READING_COLUMNS).where(*inside)


def _ended_in(
    drive_no: int, end_ns: ColumnElement[int], every_ns: int, since_ns: ColumnElement[int]
) -> tuple[ColumnElement[bool], ...]:
    """What holds of the readings of a drive that ended in (end - every, end] and began at since_ns or later."""
    return (
        _r.drive_no == drive_no,
        _r.t0_ns >= since_ns,
        _r.t0_ns <= end_ns,
        _r.t_ns > end_ns - every_ns,
        _r.t_ns <= end_ns,
    )


def _ended(*, measured: bool, of_chain: bool, oldest: bool) -> Positional:
    """Of the readings of a drive that ended and began in two ranges of time those that began last, or first."""
    query = select(*READING_COLUMNS).where(
        _r.drive_no == bindparam("of_drive"),
        _r.t_ns > bindparam("ended_after"),
        _r.t_ns <= bindparam("ended_by"),
        _r.t0_ns > bindparam("begun_after"),
        _r.t0_ns <= bindparam("begun_by"),
    )
    if of_chain:
        query = query.where(_r.chain_no == bindparam("of_chain"))
    if measured:
        query = query.where(_r.elongation_pct.is_not(None))
    in_turn = _r.t0_ns.asc() if oldest else _r.t0_ns.desc()
    return Positional(query.order_by(in_turn).limit(bindparam("rows_max", type_=Integer)))


def forget_superseded(drive_no: int, until_ns: int, rows_max: int) -> Delete:
    """Delete the earliest superseded readings with t_ns <= until_ns."""
    old = select(_s.number).where(_s.drive_no == drive_no, _s.t_ns <= until_ns)
    return delete(tables.superseded_reading).where(_s.number.in_(old.order_by(_s.t_ns).limit(rows_max)))


def forget_readings(drive_no: int, until_ns: int, rows_max: int) -> Delete:
    """Delete the earliest readings with t_ns <= until_ns, but none that is due to be rolled up or the newest."""
    key = (_r.drive_no, _r.t0_ns, _r.seq, _r.device)
    is_due = exists().where(
        _d.resolution_s == int(Resolution.MINUTE),
        _d.end_ns == _end_in_sql(_r.t_ns, Resolution.MINUTE),
        _d.drive_no == _r.drive_no,
    )
    is_newest = exists().where(
        _n.drive_no == _r.drive_no, _n.t0_ns == _r.t0_ns, _n.seq == _r.seq, _n.device == _r.device
    )
    old = select(*key).where(
        _r.drive_no == drive_no, _r.t0_ns <= until_ns, _r.t_ns <= until_ns, ~is_due, ~is_newest
    )
    return delete(tables.reading).where(tuple_(*key).in_(old.order_by(*key).limit(rows_max)))


def forget_roll_ups(drive_no: int, resolution: Resolution, until_ns: int, rows_max: int) -> Delete:
    """Delete the earliest roll-ups with end_ns <= until_ns, but none that a due longer one is made from."""
    key = (_u.drive_no, _u.resolution_s, _u.end_ns, _u.chain_no)
    old = select(*key).where(
        _u.drive_no == drive_no, _u.resolution_s == int(resolution), _u.end_ns <= until_ns
    )
    if resolution in COARSER:
        old = old.where(
            ~exists().where(
                _d.resolution_s == int(COARSER[resolution]),
                _d.end_ns == _end_in_sql(_u.end_ns, COARSER[resolution]),
                _d.drive_no == _u.drive_no,
            )
        )
    return delete(tables.roll_up).where(tuple_(*key).in_(old.order_by(*key).limit(rows_max)))


# Values: the columns of the table in order.
INSERT_READING = _insert_reading()
# By whether they are measured, of one chain, the oldest. Values: drive_no; t_ns after and up to; t0_ns after and up to; chain_no
# where of one chain; how many at most. Rows: READING_COLUMNS in order.
ENDED = {
    key: _ended(measured=key[0], of_chain=key[1], oldest=key[2])
    for key in itertools.product((False, True), repeat=3)
}
# Values: kind, drive_no, t0_ns, seq, device, t_ns, kind again. Kind 1 is for measured readings, 0 for any.
UPSERT_NEWEST = _upsert_newest()
# Values: drive_no, t0_ns, seq, device. Rows: the other columns of the table in order.
SELECT_READING = _select_reading()
# Values: the columns of the table after the fourth, then the first four.
UPDATE_READING = _update_reading()
# Values: at_ns, why, then the columns of the table of readings in order.
INSERT_SUPERSEDED = _insert_superseded()
# Values: drive_no, t0_ns, seq, device; t_ns and whether it is measured (0 or 1) as they are now.
DELETE_STALE_NEWEST = _delete_stale_newest()
# Values: drive_no, end_ns, chain_no. To be run in this order: longer ones are held against shorter ones.
DELETE_WHOLE_ROLL_UP = {
    Resolution.DAY: _delete_whole_longer(Resolution.DAY),
    Resolution.HOUR: _delete_whole_longer(Resolution.HOUR),
    Resolution.MINUTE: _delete_whole_minute(),
}
# Values: resolution_s, end_ns, drive_no.
INSERT_DUE = _insert_due()
DELETE_DUE = _delete_due()
# Values: end_ns, drive_no of an interval that is due.
ROLL_UP = {
    Resolution.MINUTE: Positional(lambda database: _upsert_roll_up(_minutes(database))),
    Resolution.HOUR: Positional(lambda database: _upsert_roll_up(_longer(Resolution.HOUR, database))),
    Resolution.DAY: Positional(lambda database: _upsert_roll_up(_longer(Resolution.DAY, database))),
}
# Rows: drive_id, measured (0 or 1), then READING_COLUMNS in order.
NEWEST = (
    select(_drive.drive_id, _n.measured, *READING_COLUMNS)
    .select_from(tables.newest)
    .join(tables.drive_number, _drive.drive_no == _n.drive_no)
    .join(
        tables.reading,
        and_(_r.drive_no == _n.drive_no, _r.t0_ns == _n.t0_ns, _r.seq == _n.seq, _r.device == _n.device),
    )
)
