"""What a drive may be, which limit applies, which chain and baseline are in force, and what people are told."""

import dataclasses
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.drive import (
    Baseline,
    Chain,
    Drive,
    LimitTerm,
    Registration,
    advice,
    baseline_at,
    chain_at,
    limit,
    spacing_mm,
    wrap_elongation_pct,
)
from service.core.fields import FieldsRefusedError

DAY_NS = 86_400 * 10**9


def a_drive(**changes: Any) -> Drive:
    settings: dict[str, Any] = {
        "drive_id": "press-infeed",
        "whole_pitches": 24,
        "driver_teeth": 19,
        "driven_teeth": 57,
        "up_to_driver_mm": 2000.0,
    }
    return Drive(**settings | changes)


def a_chain(**changes: Any) -> Chain:
    facts: dict[str, Any] = {
        "chain_id": "press-infeed/2026-03-01",
        "drive_id": "press-infeed",
        "designation": "08B-1",
        "pitch_mm": 12.7,
        "pitches_in_loop": 122,
        "fitted_ns": 10 * DAY_NS,
    }
    return Chain(**facts | changes)


def a_baseline(**changes: Any) -> Baseline:
    facts: dict[str, Any] = {
        "chain_id": "press-infeed/2026-03-01",
        "pitches_between": 23.976,
        "pitches_between_u": 0.002,
        "elongation_pct": 0.1,
        "elongation_u_pct": 0.03,
        "taken_ns": 11 * DAY_NS,
        "recorded_ns": 11 * DAY_NS,
        "recorded_by": "h.weber",
        "why": "new chain",
    }
    return Baseline(**facts | changes)


# The limit


@pytest.mark.parametrize(
    ("z", "pct", "term"),
    [
        (60, 3.0, LimitTerm.GENERAL),
        (66, 3.0, LimitTerm.GENERAL),
        (67, 2.985, LimitTerm.LARGE_SPROCKET),
        (80, 2.5, LimitTerm.LARGE_SPROCKET),
        (100, 2.0, LimitTerm.LARGE_SPROCKET),
        (120, 1.667, LimitTerm.LARGE_SPROCKET),
    ],
)
def test_large_sprockets_lower_the_limit(z: int, pct: float, term: LimitTerm) -> None:
    """A chain maker's advice (after ASME B29.1): 3 % up to 66 teeth, 200 / z above, z of the large sprocket."""
    for teeth in ({"driver_teeth": 19, "driven_teeth": z}, {"driver_teeth": z, "driven_teeth": None}):
        bound = limit(a_drive(**teeth))
        assert bound.limit_pct == pytest.approx(pct, abs=0.001)
        assert bound.term is term


@pytest.mark.parametrize(
    ("changes", "pct", "term"),
    [
        ({}, 3.0, LimitTerm.GENERAL),
        ({"driver_teeth": None, "driven_teeth": None}, 3.0, LimitTerm.GENERAL),
        ({"fixed_centres": True}, 1.5, LimitTerm.FIXED_CENTRES),
        ({"parallel_strands": True}, 1.5, LimitTerm.PARALLEL_STRANDS),
        ({"fixed_centres": True, "driven_teeth": 150}, 200 / 150, LimitTerm.LARGE_SPROCKET),
        ({"own_limit_pct": 1.0, "fixed_centres": True}, 1.0, LimitTerm.OWN),
        ({"own_limit_pct": 4.0}, 3.0, LimitTerm.GENERAL),
        ({"own_limit_pct": 4.0, "driven_teeth": 100}, 2.0, LimitTerm.LARGE_SPROCKET),
        # of equal values the own one, then the one said of fewer drives
        ({"own_limit_pct": 3.0}, 3.0, LimitTerm.OWN),
        ({"own_limit_pct": 1.5, "fixed_centres": True, "parallel_strands": True}, 1.5, LimitTerm.OWN),
        ({"fixed_centres": True, "parallel_strands": True}, 1.5, LimitTerm.FIXED_CENTRES),
    ],
)
def test_the_least_limit_binds(changes: dict[str, Any], pct: float, term: LimitTerm) -> None:
    bound = limit(a_drive(**changes))
    assert bound.limit_pct == pytest.approx(pct, abs=1e-9)
    assert bound.term is term


teeth = st.none() | st.integers(3, 300)


@given(
    driver=teeth,
    driven=teeth,
    fixed=st.booleans(),
    parallel=st.booleans(),
    own_pct=st.none() | st.floats(0.05, 10),
)
def test_no_limit_is_above_any_rule_that_applies(
    *, driver: int | None, driven: int | None, fixed: bool, parallel: bool, own_pct: float | None
) -> None:
    bound = limit(
        a_drive(
            driver_teeth=driver,
            driven_teeth=driven,
            fixed_centres=fixed,
            parallel_strands=parallel,
            own_limit_pct=own_pct,
        )
    )
    values = [
        3.0,
        1.5 if fixed or parallel else 3.0,
        own_pct or 3.0,
        *(200 / z for z in (driver, driven) if z),
    ]
    assert bound.limit_pct == min(values)


def test_three_per_cent_of_a_spacing() -> None:
    """3 % of 24 pitches of 12.7 mm is 9.144 mm (arithmetic)."""
    assert spacing_mm(a_drive(), a_chain()) * limit(a_drive()).limit_pct / 100 == pytest.approx(
        9.144, rel=1e-9
    )


def test_the_spacing_holds_whole_pitches_and_offset() -> None:
    assert spacing_mm(a_drive(offset_pitches=0.25), a_chain(pitch_mm=25.4)) == pytest.approx(24.25 * 25.4)


@pytest.mark.parametrize(("n", "pct"), [(24, 4.3478), (34, 3.0303), (40, 2.5641)])
def test_first_wrap_of_the_lag(n: float, pct: float) -> None:
    """Where N has fallen by one pitch: n / (1 + e) = n - 1."""
    assert wrap_elongation_pct(n) == pytest.approx(pct, abs=1e-4)
    assert n - n / (1 + wrap_elongation_pct(n) / 100) == pytest.approx(1, abs=1e-9)


def test_one_pitch_never_wraps() -> None:
    assert wrap_elongation_pct(1) == math.inf


# Which chain and which baseline


def test_a_chain_is_on_from_after_its_fitting_to_its_removal() -> None:
    """An interval is open at its start and closed at its end, as readings are stamped by their end."""
    old = a_chain(chain_id="a", fitted_ns=100, removed_ns=200)
    new = a_chain(chain_id="b", fitted_ns=200)
    for t_ns, expected in [(99, None), (100, None), (101, old), (200, old), (201, new), (10**18, new)]:
        assert chain_at([new, old], t_ns) == expected
    assert chain_at([old], 201) is None
    assert chain_at([], 150) is None


def test_of_overlapping_chains_the_one_fitted_last_counts() -> None:
    old, new = a_chain(chain_id="a", fitted_ns=100), a_chain(chain_id="b", fitted_ns=200)
    assert chain_at([old, new], 300) == new
    assert chain_at([old, new], 150) == old


@given(st.lists(st.integers(1, 50), min_size=1, max_size=6, unique=True), st.integers(0, 60))
def test_consecutive_chains_leave_no_gap_and_no_overlap(dates: list[int], t_ns: int) -> None:
    dates = sorted(dates)
    ends = [*dates[1:], None]
    chains = [
        a_chain(chain_id=f"c{n}", fitted_ns=start, removed_ns=end)
        for n, (start, end) in enumerate(zip(dates, ends, strict=True))
    ]
    on = chain_at(chains, t_ns)
    assert (on is None) == (t_ns <= dates[0])
    if on is not None:
        assert on.fitted_ns == max(date for date in dates if date < t_ns)


def test_the_baseline_in_force_is_the_one_taken_last() -> None:
    first, second = a_baseline(taken_ns=100, recorded_ns=110), a_baseline(taken_ns=200, recorded_ns=205)
    for t_ns, expected in [(50, first), (100, first), (199, first), (200, second), (999, second)]:
        assert baseline_at([second, first], t_ns) == expected
    assert baseline_at([], 100) is None


def test_a_correction_replaces_what_it_corrects_and_no_later_baseline() -> None:
    """Recorded last, with the instant of the one it corrects."""
    wrong, moved = a_baseline(taken_ns=100, recorded_ns=100), a_baseline(taken_ns=200, recorded_ns=200)
    corrected = a_baseline(taken_ns=100, recorded_ns=900, elongation_pct=0.15)
    known = [wrong, moved, corrected]
    assert baseline_at(known, 50) == corrected
    assert baseline_at(known, 150) == corrected
    assert baseline_at(known, 250) == moved


# What is refused


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("drive_id", "Press Infeed", "is no id; use small letters"),
        ("drive_id", "-a", "is no id"),
        ("drive_id", "a" * 65, "is no id"),
        ("drive_id", "a\n", "is no id"),
        ("drive_id", 7, "is no id"),
        ("name", "x" * 201, "shorten it to 200"),
        ("name", " x", "white space"),
        ("name", "two\nlines", "control characters or line ends"),
        ("site", "\x00", "control characters"),
        ("area", "\ud800", "control characters"),
        ("line", None, "is no text"),
        ("whole_pitches", 0, "is not within 1 to 1000; count the pitches"),
        ("whole_pitches", 24.0, "is no whole number"),
        ("whole_pitches", True, "is no whole number"),
        ("offset_pitches", 1.0, "count whole ones in whole_pitches"),
        ("offset_pitches", -0.1, "is not within"),
        ("offset_pitches", math.nan, "is not within"),
        ("spacing_u_mm", 0.0, "e.g. 0.5 for a tape"),
        ("spacing_u_mm", math.inf, "is not within"),
        ("driver_teeth", 2, "count the teeth"),
        ("driven_teeth", 1001, "count the teeth"),
        ("up_to_driver_mm", -1.0, "measure along the strand"),
        ("fixed_centres", 1, "neither true nor false"),
        ("own_limit_pct", 0.03, "give per cent, e.g. 2 for 2 %"),
        ("own_limit_pct", 30.0, "give per cent"),
        ("temp_ref_c", 1000.0, "degrees Celsius"),
        ("temp_range_k", -1.0, "half width"),
        ("mount_expansion_per_k", 11.7, "11.7e-6 for steel"),
        ("load_ref_n", -5.0, "newtons"),
        ("strain_pct_per_kn", "0.1", "is no number"),
        ("load_u_pct", -0.1, "per cent"),
        ("note", "x" * 4001, "shorten it to 4000"),
        ("retired_ns", -1, "nanoseconds since 1970"),
        ("retired_ns", 2**63, "nanoseconds since 1970"),
    ],
)
def test_nonsense_of_a_drive_is_refused_with_its_field_and_the_fix(
    field: str, value: object, says: str
) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        a_drive(**{field: value})
    assert list(refused.value.problems) == [field]
    assert says in refused.value.problems[field]
    assert str(refused.value).startswith(f"{field}: ")


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("chain_id", "", "is no id"),
        ("chain_id", "a b", "is no id"),
        ("drive_id", "A", "is no id"),
        ("pitch_mm", 0.5, "1 in = 25.4 mm"),
        ("pitch_mm", 2001, "millimetres"),
        ("strands", 0, "1 for simplex"),
        ("pitches_in_loop", 3, "count the joints"),
        ("fitted_ns", 1.5, "is no whole number"),
        ("removed_ns", 10 * DAY_NS, "came off before it was fitted"),
        ("removed_ns", 9 * DAY_NS, "came off before it was fitted"),
        ("removed_why", "\x07", "control characters"),
        ("designation", "16B-1\n", "white space"),
    ],
)
def test_nonsense_of_a_chain_is_refused(field: str, value: object, says: str) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        a_chain(**{field: value})
    assert list(refused.value.problems) == [field]
    assert says in refused.value.problems[field]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("chain_id", "?"),
        ("pitches_between", 0.0),
        ("pitches_between_u", -0.1),
        ("elongation_pct", 50.0),
        ("elongation_u_pct", math.nan),
        ("taken_ns", "yesterday"),
        ("recorded_ns", None),
        ("recorded_by", "two\nlines"),
        ("why", 3),
    ],
)
def test_nonsense_of_a_baseline_is_refused(field: str, value: object) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        a_baseline(**{field: value})
    assert list(refused.value.problems) == [field]


def test_all_fields_are_told_at_once() -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        a_drive(drive_id="A", whole_pitches=0, offset_pitches=2.0, note=None)
    assert set(refused.value.problems) == {"drive_id", "whole_pitches", "offset_pitches", "note"}
    assert isinstance(refused.value, ValueError)


def test_a_value_of_any_length_makes_a_short_message() -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        a_drive(drive_id="x" * 100_000, whole_pitches=10**4000)
    assert len(str(refused.value)) < 500


@pytest.mark.parametrize("of", [Drive, Chain, Baseline])
def test_every_field_is_checked(of: type) -> None:
    """A field that is added later and not checked would take an object of no type at all."""
    names = [field.name for field in dataclasses.fields(of)]
    with pytest.raises(FieldsRefusedError) as refused:
        of(**dict.fromkeys(names, object()))
    assert list(refused.value.problems) == names


def test_several_lines_are_welcome_in_a_note() -> None:
    assert a_drive(note="first\r\nsecond\tthird").note.endswith("third")


def test_a_registration_holds_what_belongs_together() -> None:
    assert Registration(a_drive(), a_chain(), a_baseline()).baseline is not None
    with pytest.raises(FieldsRefusedError, match="belongs to other, not to press-infeed"):
        Registration(a_drive(), a_chain(drive_id="other"))
    with pytest.raises(FieldsRefusedError, match="belongs to the chain old"):
        Registration(a_drive(), a_chain(), a_baseline(chain_id="old"))
    with pytest.raises(FieldsRefusedError, match="give that chain with it"):
        Registration(a_drive(), None, a_baseline())


# What people are told


def test_a_good_drive_needs_no_advice() -> None:
    assert advice(a_drive(), a_chain()) == []


@pytest.mark.parametrize(
    ("drive", "chain", "says"),
    [
        ({"whole_pitches": 25}, {}, "whole_pitches: 25 is odd"),
        (
            {"whole_pitches": 40},
            {},
            "whole_pitches: the lag comes round at 2.56 %, before the limit of 3.00 %",
        ),
        ({"whole_pitches": 6, "driver_teeth": 40}, {}, "whole_pitches: over only 6 pitches"),
        (
            {"up_to_driver_mm": None},
            {},
            "up_to_driver_mm: not given; make sure that both sensors are on the tight strand",
        ),
        ({"up_to_driver_mm": 310.0}, {}, "up_to_driver_mm: `down` is within 3 pitches of the driver"),
        ({"up_to_driver_mm": 100.0}, {}, "or past it"),
        ({"own_limit_pct": 3.5}, {}, "own_limit_pct: 3.5 % has no effect; 3.00 % applies (general)"),
        ({"own_limit_pct": 2.0, "fixed_centres": True}, {}, "1.50 % applies (fixed centres)"),
        ({"strain_pct_per_kn": 0.01}, {}, "load_ref_n: not given, so strain_pct_per_kn is not used"),
        ({"driver_teeth": None}, {}, "driver_teeth: not given, so the unevenness"),
        ({"driven_teeth": None}, {}, "driven_teeth: not given; over 66 teeth would lower the limit"),
        ({"driver_teeth": 8}, {}, "driver_teeth: 8 teeth are too few"),
        ({"driver_teeth": 9, "whole_pitches": 10}, {}, "polygon effect moves readings by up to 0.079 %"),
        ({}, {"pitches_in_loop": None}, "pitches_in_loop: not given"),
        ({}, {"pitches_in_loop": 121}, "pitches_in_loop: 121 is odd, which needs a cranked link"),
        ({}, {"pitches_in_loop": 40}, "pitches_in_loop: 40 pitches have no straight strand"),
        ({}, {"designation": "16B"}, "designation: 16B has 25.4 mm pitch, not 12.7"),
        ({}, {"designation": "own special"}, "designation: 'own special' is not in the catalogue"),
        ({}, {"designation": "M80"}, "designation: 12.7 mm is not among the pitches of ISO 1977"),
        ({}, {"designation": "BL422"}, "linklag is a maintenance aid and no safety function"),
    ],
)
def test_what_to_look_at_twice(drive: dict[str, Any], chain: dict[str, Any], says: str) -> None:
    told = advice(a_drive(**drive), a_chain(**chain))
    assert any(says in line for line in told), told
    fields = {field.name for of in (Drive, Chain) for field in dataclasses.fields(of)}
    assert all(line.split(":")[0] in fields for line in told)


def test_the_polygon_figure_is_twice_the_peak_over_the_pitches() -> None:
    """9 teeth: peak 0.00396 pitches (by hand), 100 x 2 x 0.00396 / 10 = 0.0792 %."""
    (line,) = (
        each for each in advice(a_drive(driver_teeth=9, whole_pitches=10), a_chain()) if "polygon" in each
    )
    assert float(line.split("up to ")[1].split(" %")[0]) == pytest.approx(0.0792, abs=0.0006)


def test_a_drive_without_chain_is_told_so() -> None:
    assert advice(a_drive(), None) == [
        "chain: none is fitted; readings carry no elongation until one is registered"
    ]


def test_leaf_chain_is_not_asked_for_teeth() -> None:
    told = advice(
        a_drive(driver_teeth=None, driven_teeth=None), a_chain(designation="LH0844", pitches_in_loop=None)
    )
    assert not any("teeth" in line or "pitches_in_loop" in line for line in told)


@given(st.integers(2, 200), st.floats(0.05, 3.0))
def test_the_advised_number_of_pitches_is_unique_and_the_next_is_not(n: int, own_pct: float) -> None:
    told = [
        line
        for line in advice(a_drive(whole_pitches=n, own_limit_pct=own_pct), None)
        if "it is unique" in line
    ]
    assert bool(told) == (wrap_elongation_pct(n) <= own_pct)
    if told:
        unique = int(told[0].split("Up to ")[1].split(" ")[0])
        assert wrap_elongation_pct(unique) > own_pct >= wrap_elongation_pct(unique + 2) - 1e-9
