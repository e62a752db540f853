"""The door for what people do: against both stores, the fake and the real one."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.core.drive import Baseline, Registration
from service.core.elongation import (
    elongation_pct,
    new_pitches_by_baseline,
    temperature_correction_pct,
)
from service.operate import Operate, reference_pitches
from service.ports import ConflictError, NotFoundError, StoreUnavailableError
from tests.contracts.given import (
    A_BASELINE,
    A_CHAIN,
    A_DRIVE,
    A_SIGHTING,
    NOON_NS,
    STORES,
    Ports,
    S,
    a_reading,
    a_store,
)
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

NOW_NS = NOON_NS + 3600 * S
ACT: dict[str, Any] = {"at_ns": NOW_NS, "by": "shift A"}
SAW = replace(A_DRIVE, drive_id="saw-1", name="Saw")


@pytest.fixture(params=STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        yield store


@pytest.fixture
def operate(ports: Ports) -> Operate:
    return Operate(ports.register, ports.refused, ports.readings)


def with_press(operate: Operate) -> None:
    operate.add_drive(A_DRIVE, **ACT)
    operate.fit_chain(A_CHAIN, **ACT)


# Drives


def test_an_added_drive_is_registered_and_is_no_longer_a_sighting(ports: Ports, operate: Operate) -> None:
    ports.refused.keep([], [A_SIGHTING])
    assert operate.add_drive(SAW, **ACT) == SAW
    assert ports.register.drive("saw-1") == SAW
    assert ports.refused.sightings() == []


def test_an_id_that_is_taken_is_refused_and_changes_nothing(ports: Ports, operate: Operate) -> None:
    operate.add_drive(A_DRIVE, **ACT)
    with pytest.raises(ConflictError, match="registered already"):
        operate.add_drive(replace(A_DRIVE, name="Other"), **ACT)
    assert ports.register.drive("press-3") == A_DRIVE


def test_changing_a_drive_that_is_not_there_says_what_to_do(operate: Operate) -> None:
    with pytest.raises(NotFoundError, match="press-3"):
        operate.change_drive(A_DRIVE, **ACT)


def test_moving_the_sensors_asks_for_a_new_baseline_and_renaming_does_not(
    ports: Ports, operate: Operate
) -> None:
    with_press(operate)
    ports.register.record_baseline(A_BASELINE)
    assert operate.change_drive(replace(A_DRIVE, name="Renamed"), **ACT).advice == ()
    changed = operate.change_drive(replace(A_DRIVE, whole_pitches=22), **ACT)
    assert changed.drive.whole_pitches == 22
    assert "record a new baseline" in changed.advice[0]


def test_moving_the_sensors_asks_for_nothing_where_there_is_no_baseline(operate: Operate) -> None:
    with_press(operate)
    assert operate.change_drive(replace(A_DRIVE, whole_pitches=22), **ACT).advice == ()


def test_another_switching_delay_asks_for_a_new_baseline(ports: Ports, operate: Operate) -> None:
    with_press(operate)
    ports.register.record_baseline(A_BASELINE)
    changed = operate.change_drive(replace(A_DRIVE, delay_us=80.0, delay_u_us=5.0), **ACT)
    assert "switching delay changed" in changed.advice[0]


def test_a_drive_is_retired_once_and_can_be_brought_back_once(ports: Ports, operate: Operate) -> None:
    operate.add_drive(A_DRIVE, **ACT)
    assert operate.retire_drive("press-3", **ACT).retired_ns == NOW_NS
    assert ports.register.drives() == []
    with pytest.raises(ConflictError, match="retired already"):
        operate.retire_drive("press-3", **ACT)
    assert operate.bring_back_drive("press-3", **ACT) == A_DRIVE
    assert ports.register.drives() == [A_DRIVE]
    with pytest.raises(ConflictError, match="not retired"):
        operate.bring_back_drive("press-3", **ACT)


# Chains


@pytest.mark.parametrize(
    ("designation", "pitch_mm", "strands"),
    [
        # Pitch: ISO 606 (GOST 13568-97, table A.1); "NN" is the pitch in sixteenths of an inch.
        ("16B-1", 25.4, 1),
        ("08A-2", 12.7, 2),
        # ASME B29.1: eighths of an inch.
        ("ANSI 80", 25.4, 1),
    ],
)
def test_the_designation_fills_pitch_and_strands(
    operate: Operate, designation: str, pitch_mm: float, strands: int
) -> None:
    chain = operate.describe_chain("press-3", designation=designation, fitted_ns=NOON_NS)
    assert (chain.pitch_mm, chain.strands, chain.designation) == (pitch_mm, strands, designation)


def test_a_pitch_that_is_not_the_designations_is_refused(operate: Operate) -> None:
    with pytest.raises(ValueError, match=r"25\.4"):
        operate.describe_chain("press-3", designation="16B-1", pitch_mm=12.7, fitted_ns=NOON_NS)


def test_a_designation_outside_the_catalogue_will_do_with_a_pitch_and_not_without(operate: Operate) -> None:
    chain = operate.describe_chain("press-3", designation="XQ-7", pitch_mm=66.0, fitted_ns=NOON_NS)
    assert (chain.designation, chain.pitch_mm, chain.strands) == ("XQ-7", 66.0, 1)
    with pytest.raises(ValueError, match="XQ-7"):
        operate.describe_chain("press-3", designation="XQ-7", fitted_ns=NOON_NS)
    with pytest.raises(ValueError, match="pitch"):
        operate.describe_chain("press-3", fitted_ns=NOON_NS)


def test_a_chain_without_an_id_gets_one_that_is_free(ports: Ports, operate: Operate) -> None:
    operate.add_drive(A_DRIVE, **ACT)
    names = []
    for day in range(2):
        chain = operate.describe_chain("press-3", pitch_mm=25.4, fitted_ns=NOON_NS + day * S)
        names.append(operate.fit_chain(chain, **ACT).chain_id)
        operate.take_off_chain(chain.chain_id, removed_ns=NOON_NS + day * S + 1, why="trial", **ACT)
    assert names == ["press-3-2026-09-10", "press-3-2026-09-10-2"]
    assert [each.chain_id for each in ports.register.chains("press-3")] == names


def test_a_second_chain_at_the_same_time_is_refused_naming_the_first(operate: Operate) -> None:
    with_press(operate)
    with pytest.raises(ConflictError, match=r"press-3-a.*taken off"):
        operate.fit_chain(replace(A_CHAIN, chain_id="press-3-b", fitted_ns=NOON_NS + S), **ACT)


def test_a_chain_may_be_fitted_at_the_instant_at_which_the_last_came_off(operate: Operate) -> None:
    with_press(operate)
    operate.take_off_chain("press-3-a", removed_ns=NOW_NS - S, why="worn", **ACT)
    operate.fit_chain(replace(A_CHAIN, chain_id="press-3-b", fitted_ns=NOW_NS - S), **ACT)


def test_dates_ahead_of_now_are_refused_each_by_its_field(operate: Operate) -> None:
    with_press(operate)
    late_ns = NOW_NS + 3600 * S
    with pytest.raises(ValueError, match="fitted: lies ahead"):
        operate.fit_chain(replace(A_CHAIN, chain_id="b", fitted_ns=late_ns), **ACT)
    with pytest.raises(ValueError, match="removed: lies ahead"):
        operate.take_off_chain("press-3-a", removed_ns=late_ns, why="", **ACT)
    with pytest.raises(ValueError, match="taken: lies ahead"):
        operate.record_baseline(
            "press-3-a", elongation_pct=0, elongation_u_pct=0.1, taken_ns=late_ns, why="", **ACT
        )


def test_no_chain_goes_on_a_retired_drive(operate: Operate) -> None:
    operate.add_drive(A_DRIVE, **ACT)
    operate.retire_drive("press-3", **ACT)
    with pytest.raises(ConflictError, match="bring it back"):
        operate.fit_chain(A_CHAIN, **ACT)


def test_a_chain_that_is_taken_off_keeps_its_reason(operate: Operate) -> None:
    with_press(operate)
    off = operate.take_off_chain("press-3-a", why="worn to the limit", **ACT)
    assert (off.removed_ns, off.removed_why) == (NOW_NS, "worn to the limit")
    with pytest.raises(ConflictError):
        operate.take_off_chain("press-3-a", why="again", **ACT)
    with pytest.raises(NotFoundError):
        operate.take_off_chain("press-3-z", why="", **ACT)


# Baselines


def record(operate: Operate, **more: Any) -> Baseline:
    given: dict[str, Any] = {"elongation_pct": 0.5, "elongation_u_pct": 0.05, "why": "by hand"}
    return operate.record_baseline("press-3-a", **given | more, **ACT)


def test_a_baseline_takes_its_pitches_from_the_readings_of_the_last_ten_minutes(
    ports: Ports, operate: Operate
) -> None:
    with_press(operate)
    ends_s = [1000, 3100, 3200, 3300]  # after noon; now is 3600, so the first is too old
    ports.readings.store(
        [
            replace(
                a_reading(at_s, seq=n),
                pitches_between=20.0 + n / 100,
                temp_c=22.0,
                mount_c=22.0,
                load_n=3000.0,
            )
            for n, at_s in enumerate(ends_s)
        ]
    )
    baseline = record(operate)
    assert baseline.pitches_between == pytest.approx((20.01 + 20.02 + 20.03) / 3)
    assert 0.01 <= baseline.pitches_between_u < 0.05  # at least their scatter
    assert (baseline.recorded_by, baseline.recorded_ns, baseline.taken_ns) == ("shift A", NOW_NS, NOW_NS)
    assert ports.register.baselines("press-3-a") == [baseline]


def test_a_baseline_from_readings_remembers_the_alternation_of_both_sensors(
    ports: Ports, operate: Operate
) -> None:
    with_press(operate)
    readings = [a_reading(3100 + n, seq=n) for n in range(4)]
    seen = [(0.31, 0.42), (0.33, 0.44), (None, None), (0.32, 0.43)]  # one batch came reduced
    older = {3: 1}  # the last by a conversion that left out 0.075 %
    ports.readings.store(
        [
            replace(each, up_alternation_pct=up, down_alternation_pct=down, conversion=older.get(each.seq, 2))
            for each, (up, down) in zip(readings, seen, strict=True)
        ]
    )
    baseline = record(operate)
    assert baseline.up_alternation_pct == pytest.approx(0.32 + 0.0752 / 3, abs=1e-4)
    assert baseline.down_alternation_pct == pytest.approx(0.43 + 0.0753 / 3, abs=1e-4)
    assert ports.register.baselines("press-3-a") == [baseline]


def test_a_baseline_given_by_hand_knows_no_alternation(operate: Operate) -> None:
    with_press(operate)
    baseline = record(operate, pitches_between=20.2, pitches_between_u=0.01)
    assert (baseline.up_alternation_pct, baseline.down_alternation_pct) == (None, None)


def test_too_few_readings_for_a_baseline_say_how_many_and_what_to_do(ports: Ports, operate: Operate) -> None:
    with_press(operate)
    of_another = replace(a_reading(3100, seq=9), chain_id="press-2-a")
    ports.readings.store([a_reading(3100, seq=1), a_reading(3110, None, seq=2), of_another])
    with pytest.raises(ConflictError, match=r"1 measured reading.*3 are needed.*give pitches_between"):
        record(operate)
    assert ports.register.baselines() == []


def test_a_drive_without_sensors_is_not_told_to_run_for_a_baseline(ports: Ports, operate: Operate) -> None:
    ports.register.add_drive(replace(A_DRIVE, drive_id="by-hand", whole_pitches=None))
    ports.register.fit_chain(replace(A_CHAIN, chain_id="by-hand-a", drive_id="by-hand"))
    with pytest.raises(ConflictError, match=r"by-hand has no sensors.*enter their place"):
        operate.record_baseline(
            "by-hand-a",
            elongation_pct=0.1,
            elongation_u_pct=0.04,
            at_ns=NOON_NS + 3600 * S,
            by="A. Kern",
            why="",
        )


def test_pitches_given_by_hand_need_their_uncertainty(operate: Operate) -> None:
    with_press(operate)
    with pytest.raises(ValueError, match="pitches_between_u"):
        record(operate, pitches_between=20.2)
    baseline = record(operate, pitches_between=20.2, pitches_between_u=0.01)
    assert (baseline.pitches_between, baseline.pitches_between_u) == (20.2, 0.01)


def test_a_baseline_must_lie_where_the_chain_was_on(operate: Operate) -> None:
    with_press(operate)
    with pytest.raises(ConflictError, match="not on its drive then"):
        record(operate, pitches_between=20.2, pitches_between_u=0.01, taken_ns=NOON_NS - S)


@pytest.mark.parametrize(("temp_c", "mount_c"), [(22.0, 22.0), (70.0, 30.0), (-10.0, 5.0)])
def test_the_same_chain_reads_its_baseline_again_at_any_temperature(temp_c: float, mount_c: float) -> None:
    """N0 stands for the reference temperature: what was hot then must not look worn or new later."""
    n_new, e_true = 20.25, 0.5
    correction, _ = temperature_correction_pct(A_DRIVE, temp_c, mount_c)
    seen = e_true + correction
    hot = replace(
        a_reading(0, e_true),
        pitches_between=n_new / (1 + seen / 100),
        temp_c=temp_c,
        mount_c=mount_c,
        load_n=A_DRIVE.load_ref_n,
    )
    n0, _ = reference_pitches(A_DRIVE, [hot, hot])
    baseline = replace(A_BASELINE, pitches_between=n0, elongation_pct=e_true)
    later = elongation_pct(n_new / (1 + e_true / 100), new_pitches_by_baseline(baseline).pitches)
    assert later == pytest.approx(e_true, abs=1e-9)


# Sightings


def test_a_sighting_is_registered_with_its_chain_in_one_call(ports: Ports, operate: Operate) -> None:
    ports.refused.keep([], [A_SIGHTING])
    chain = replace(A_CHAIN, chain_id="saw-1-a", drive_id="saw-1")
    assert operate.register_sighting(SAW, chain, **ACT) == Registration(SAW, chain)
    assert ports.register.chains("saw-1") == [chain]
    assert ports.refused.sightings() == []


def test_what_was_never_seen_is_no_sighting(operate: Operate) -> None:
    with pytest.raises(NotFoundError, match="no unregistered drive 'saw-1'"):
        operate.register_sighting(SAW, **ACT)
    with pytest.raises(NotFoundError):
        operate.turn_away_sighting("saw-1", **ACT)


def test_a_chain_that_cannot_go_on_leaves_the_sighting_as_it_was(ports: Ports, operate: Operate) -> None:
    with_press(operate)
    ports.refused.keep([], [A_SIGHTING])
    with pytest.raises(ConflictError, match="give this one another id"):
        operate.register_sighting(SAW, replace(A_CHAIN, drive_id="saw-1"), **ACT)
    assert ports.register.drives() == [A_DRIVE]
    assert [each.drive_id for each in ports.refused.sightings()] == ["saw-1"]


def test_a_sighting_that_is_turned_away_is_off_the_list(ports: Ports, operate: Operate) -> None:
    ports.refused.keep([], [A_SIGHTING])
    operate.turn_away_sighting("saw-1", **ACT)
    assert ports.refused.sightings() == []


# Imports

PRESS = Registration(A_DRIVE, A_CHAIN, A_BASELINE)


def imported(operate: Operate, *registrations: Registration, **how: Any) -> dict[str, Any]:
    result = operate.import_registrations(registrations, **how, **ACT)
    return {
        "added": result.added,
        "changed": result.changed,
        "unchanged": result.unchanged,
        "errors": tuple((each.drive_id, each.detail) for each in result.errors),
    }


NOTHING: dict[str, Any] = {"added": (), "changed": (), "unchanged": (), "errors": ()}


def test_an_import_registers_drive_chain_and_baseline_and_again_changes_nothing(
    ports: Ports, operate: Operate
) -> None:
    assert imported(operate, PRESS) == NOTHING | {"added": ("press-3",)}
    version = ports.register.version()
    assert imported(operate, PRESS) == NOTHING | {"unchanged": ("press-3",)}
    assert ports.register.version() == version
    assert ports.register.drives() == [A_DRIVE]
    assert ports.register.chains() == [A_CHAIN]
    assert ports.register.baselines() == [A_BASELINE]


def test_a_dry_run_says_the_same_and_stores_nothing(ports: Ports, operate: Operate) -> None:
    version = ports.register.version()
    assert imported(operate, PRESS, dry_run=True) == NOTHING | {"added": ("press-3",)}
    assert ports.register.version() == version
    assert ports.register.drives() == []


def test_other_settings_are_refused_by_name_unless_replacing(ports: Ports, operate: Operate) -> None:
    operate.add_drive(A_DRIVE, **ACT)
    other = Registration(replace(A_DRIVE, whole_pitches=21, name="N"))
    refused = imported(operate, other)
    assert refused["errors"][0][0] == "press-3"
    assert "name, whole_pitches" in refused["errors"][0][1]
    assert ports.register.drive("press-3") == A_DRIVE
    assert imported(operate, other, replace=True) == NOTHING | {"changed": ("press-3",)}
    assert ports.register.drive("press-3") == other.drive


def test_one_that_is_refused_does_not_stop_the_others(ports: Ports, operate: Operate) -> None:
    result = imported(operate, PRESS, PRESS, Registration(SAW))
    assert result["added"] == ("press-3", "saw-1")
    assert result["errors"] == (("press-3", "stands in the import twice: keep one of them"),)
    assert {each.drive_id for each in ports.register.drives()} == {"press-3", "saw-1"}


def test_a_registered_chain_is_never_overwritten_by_an_import(ports: Ports, operate: Operate) -> None:
    imported(operate, PRESS)
    result = imported(operate, Registration(A_DRIVE, replace(A_CHAIN, pitch_mm=12.7)), replace=True)
    assert "history is not overwritten" in result["errors"][0][1]
    assert ports.register.chains() == [A_CHAIN]


def test_a_drive_whose_chain_is_refused_is_not_half_registered(ports: Ports, operate: Operate) -> None:
    imported(operate, PRESS)
    taken = replace(A_CHAIN, drive_id="saw-1")
    assert imported(operate, Registration(SAW, taken))["errors"][0][0] == "saw-1"
    assert [each.drive_id for each in ports.register.drives()] == ["press-3"]


def test_a_new_chain_or_baseline_of_a_known_drive_counts_as_a_change(ports: Ports, operate: Operate) -> None:
    operate.add_drive(A_DRIVE, **ACT)
    assert imported(operate, Registration(A_DRIVE, A_CHAIN))["changed"] == ("press-3",)
    assert imported(operate, PRESS)["changed"] == ("press-3",)
    assert ports.register.baselines() == [A_BASELINE]


# The world


def test_a_store_that_is_down_is_told_to_the_caller() -> None:
    register, refused, readings = FakeRegister(), FakeRefused(), FakeReadings()
    operate = Operate(register, refused, readings)
    register.down = "disk full"
    with pytest.raises(StoreUnavailableError, match="disk full"):
        operate.add_drive(A_DRIVE, **ACT)
    with pytest.raises(StoreUnavailableError):
        operate.import_registrations([PRESS], **ACT)


# The audit log


def test_each_change_is_written_down_with_who_what_old_and_new(ports: Ports, operate: Operate) -> None:
    with_press(operate)
    operate.change_drive(replace(A_DRIVE, whole_pitches=22), **ACT)
    operate.change_drive(replace(A_DRIVE, whole_pitches=22), **ACT)  # nothing differs: nothing to write down
    operate.record_baseline(
        "press-3-a", elongation_pct=0.1, elongation_u_pct=0.1, pitches_between=20.0, pitches_between_u=0.1,
        why="run in", **ACT,
    )  # fmt: skip
    operate.take_off_chain("press-3-a", why="worn", **ACT)
    operate.retire_drive("press-3", **ACT)
    operate.bring_back_drive("press-3", **ACT)
    ports.refused.keep([], [A_SIGHTING])
    operate.turn_away_sighting("saw-1", **ACT)
    entries = list(reversed(ports.audit_log.entries()))
    assert [(entry.what, entry.subject, entry.why) for entry in entries] == [
        ("drive added", "drive press-3", ""),
        ("chain fitted", "chain press-3-a", ""),
        ("drive changed", "drive press-3", ""),
        ("baseline recorded", "chain press-3-a", "run in"),
        ("chain taken off", "chain press-3-a", "worn"),
        ("drive retired", "drive press-3", ""),
        ("drive brought back", "drive press-3", ""),
        ("sighting turned away", "drive saw-1", ""),
    ]
    assert {(entry.by, entry.at_ns) for entry in entries} == {("shift A", NOW_NS)}
    assert (dict(entries[2].old), dict(entries[2].new)) == ({"whole_pitches": 20}, {"whole_pitches": 22})
    assert (dict(entries[5].old), dict(entries[5].new)) == ({"retired_ns": None}, {"retired_ns": NOW_NS})
    assert entries[1].new["designation"] == "16B-1"


def test_what_an_import_does_is_written_down_drive_by_drive(ports: Ports, operate: Operate) -> None:
    operate.import_registrations([Registration(A_DRIVE, A_CHAIN, A_BASELINE), Registration(SAW)], **ACT)
    operate.import_registrations([Registration(A_DRIVE, A_CHAIN, A_BASELINE)], **ACT)
    assert [entry.what for entry in reversed(ports.audit_log.entries())] == [
        "drive added",
        "chain fitted",
        "baseline recorded",
        "drive added",
    ]
