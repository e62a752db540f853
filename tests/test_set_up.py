"""The door of who sets up the sensors: steps from stored batches, baselines, what was learnt, touched brackets."""

import dataclasses
from collections.abc import Sequence
from typing import NamedTuple

import pytest

from sensors_sim.drive import Surroundings
from sensors_sim.sensor import Sensor
from service.core.batch import Batch
from service.core.commission import Start, StepId, StepState
from service.core.drive import Baseline, baseline_at
from service.core.fields import FieldsRefusedError
from service.core.hand import HandMethod, HandValue
from service.core.learn import NotLearnt, StrainFit
from service.core.reading import Last, Reading, convert
from service.operate import Operate
from service.ports import ConflictError, NotFoundError
from service.set_up import E0, SetUp
from tests.core.running import T0_NS, Running, S, sent
from tests.fakes import FakeHandValues, FakeRawBatches, FakeReadings, FakeRefused, FakeRegister

SOUND = Running()
SENT = SOUND.batches()
TWO_SPEEDS = Running(speeds=(0.6, 1.2), down=Sensor(delay_s=1e-4))
SENT_AT_TWO = TWO_SPEEDS.batches()


class Store(NamedTuple):
    register: FakeRegister
    readings: FakeReadings
    raw_batches: FakeRawBatches
    hand_values: FakeHandValues
    set_up: SetUp


def a_store(running: Running, batches: Sequence[Batch]) -> Store:
    register, readings, raw_batches = FakeRegister(), FakeReadings(), FakeRawBatches()
    hand_values = FakeHandValues(register)
    register.add_drive(running.drive)
    register.fit_chain(running.chain)
    raw_batches.keep([sent(each) for each in batches])
    operate = Operate(register, FakeRefused(), readings)
    return Store(
        register,
        readings,
        raw_batches,
        hand_values,
        SetUp(register, readings, raw_batches, hand_values, operate),
    )


def after(batches: Sequence[Batch]) -> int:
    return batches[-1].end_ns + S


def readings_of(
    running: Running, batches: Sequence[Batch], baseline: Baseline | None = None
) -> list[Reading]:
    return [
        convert(each, drive=running.drive, chain=running.chain, baseline=baseline, last=Last(0.07, T0_NS))
        for each in batches
    ]


# --- steps and baseline ---------------------------------------------------------------------------------------


def test_the_steps_are_those_of_the_stored_batches() -> None:
    store = a_store(SOUND, SENT)
    state = store.set_up.state("d", at_ns=after(SENT))
    assert state.commissioning.batches == len(SENT)
    assert state.commissioning.ready_for_baseline
    assert state.e0 is E0.NEW
    assert state.baseline is None
    with pytest.raises(NotFoundError):
        store.set_up.state("nobody", at_ns=after(SENT))


def test_a_baseline_is_recorded_with_who_when_why_and_both_alternations() -> None:
    store, at_ns = a_store(SOUND, SENT), after(SENT)
    made = store.set_up.record_baseline("d", e0=E0.NEW, why="new chain fitted", at_ns=at_ns, by="Anna Kern")
    assert store.register.baselines("d/1") == [made]
    assert made.pitches_between == pytest.approx(SOUND.true_pitches_between, abs=0.01)
    assert made.elongation_pct == 0.075
    assert made.elongation_u_pct == pytest.approx(0.0433, abs=1e-4)
    assert (made.recorded_by, made.recorded_ns) == ("Anna Kern", at_ns)
    assert made.why == "new chain fitted; new chain, 0 to +0.15 % by ISO 606"
    assert made.up_alternation_pct is not None
    assert made.down_alternation_pct is not None
    assert made.taken_ns == SENT[0].t0_ns
    assert store.set_up.state("d", at_ns=at_ns).commissioning.step(StepId.BASELINE).state is StepState.PASSED


def test_the_new_baseline_is_the_one_in_force_and_the_older_one_stays() -> None:
    """Even where the older one was taken in the midst of the batches that went into the new one."""
    store, at_ns = a_store(SOUND, SENT), after(SENT)
    old = Baseline(
        chain_id="d/1", pitches_between=24.0, pitches_between_u=0.1, elongation_pct=0.5, elongation_u_pct=0.1,
        taken_ns=SENT[9].t0_ns, recorded_ns=SENT[9].t0_ns, recorded_by="Jo", why="by guess",
    )  # fmt: skip
    store.register.record_baseline(old)
    new = store.set_up.record_baseline("d", e0=E0.NEW, why="done properly", at_ns=at_ns, by="Anna")
    assert old in store.register.baselines("d/1")
    assert baseline_at(store.register.baselines("d/1"), at_ns) == new


def test_batches_of_the_chain_before_do_not_count() -> None:
    """Else its lag would be the baseline of the new one."""
    fitted_ns = SENT[len(SENT) // 2].t0_ns
    store = a_store(dataclasses.replace(SOUND, registered={"fitted_ns": fitted_ns}), SENT)
    state = store.set_up.state("d", at_ns=after(SENT))
    assert state.since_ns == fitted_ns
    assert state.commissioning.batches == len(SENT) - len(SENT) // 2
    assert store.set_up.state("d", at_ns=after(SENT), since_ns=0).since_ns == fitted_ns


def test_no_baseline_while_a_step_is_in_the_way() -> None:
    store = a_store(SOUND, SENT[:2])
    with pytest.raises(
        ConflictError, match=r"not ready for a baseline\. The lag is steady: 2 of 5 lags so far"
    ):
        store.set_up.record_baseline("d", e0=E0.NEW, why="x", at_ns=after(SENT[:2]), by="Anna")
    assert store.register.baselines() == []


@pytest.mark.parametrize(
    ("by", "why", "field"), [("", "new", "by"), ("Anna", "  ", "why"), (" \n", "", "by")]
)
def test_who_and_why_are_needed(by: str, why: str, field: str) -> None:
    set_up = a_store(SOUND, SENT).set_up
    for act in (
        lambda: set_up.record_baseline("d", e0=E0.NEW, why=why, at_ns=after(SENT), by=by),
        lambda: set_up.apply_delay("d", why=why, at_ns=after(SENT), by=by),
        lambda: set_up.apply_strain("d", why=why, from_ns=0, at_ns=after(SENT), by=by),
        lambda: set_up.note_bracket_touched("d", why=why, at_ns=after(SENT), by=by),
    ):
        with pytest.raises(FieldsRefusedError) as refused:
            act()
        assert field in refused.value.problems


def test_a_value_of_ones_own_and_one_by_hand_are_taken_as_e0() -> None:
    worn = Running(elongation_pct=0.8)
    batches = worn.batches()
    store, at_ns = a_store(worn, batches), after(batches)
    state = store.set_up.state("d", at_ns=at_ns)
    assert state.commissioning.step(StepId.BASELINE).state is StepState.FAILED  # it is no new chain
    own = Start(elongation_pct=0.82, u_pct=0.05, words="by the maker's gauge")
    made = store.set_up.record_baseline("d", e0=own, why="x", at_ns=at_ns, by="Anna")
    assert (made.elongation_pct, made.elongation_u_pct) == (0.82, 0.05)
    with pytest.raises(ConflictError, match="was not measured by hand"):
        store.set_up.state("d", at_ns=at_ns, e0=E0.HAND)
    store.hand_values.record(
        HandValue(
            drive_id="d",
            chain_id="d/1",
            measured_ns=T0_NS,
            recorded_ns=T0_NS,
            recorded_by="Jo",
            method=HandMethod.RULE,
            pitches=48,
            length_mm=48 * 12.7 * 1.0079,
            length_u_mm=0.5,
            pitch_mm=12.7,
            tight=True,
        )
    )
    assert store.set_up.state("d", at_ns=at_ns).e0 is E0.HAND
    made = store.set_up.record_baseline("d", e0=E0.HAND, why="x", at_ns=at_ns + 1, by="Anna")
    assert made.elongation_pct == pytest.approx(0.79, abs=0.001)
    assert made.why == "x; by hand over 48 pitches"


def test_a_nonsense_shaft_is_refused_with_the_fix() -> None:
    with pytest.raises(FieldsRefusedError, match="revolutions a minute"):
        a_store(SOUND, SENT).set_up.state("d", at_ns=after(SENT), shaft_rev_per_min=0.0)


def test_only_batches_since_then_count() -> None:
    """A plug was changed half way: from then on the steps pass."""
    wrong = [dataclasses.replace(each, up=each.down, down=each.up) for each in SENT[:12]]
    store = a_store(SOUND, [*wrong, *SENT[12:]])
    assert not store.set_up.state("d", at_ns=after(SENT)).commissioning.ready_for_baseline
    since = store.set_up.state("d", at_ns=after(SENT), since_ns=SENT[12].t0_ns)
    assert since.commissioning.batches == 12
    assert since.commissioning.ready_for_baseline


def test_a_drive_without_chain_or_batches_has_steps_too() -> None:
    register, readings = FakeRegister(), FakeReadings()
    register.add_drive(SOUND.drive)
    set_up = SetUp(
        register,
        readings,
        FakeRawBatches(),
        FakeHandValues(register),
        Operate(register, FakeRefused(), readings),
    )
    state = set_up.state("d", at_ns=T0_NS)
    assert state.commissioning.step(StepId.REGISTERED).state is StepState.FAILED
    register.fit_chain(SOUND.chain)
    state = set_up.state("d", at_ns=T0_NS)
    assert state.commissioning.step(StepId.PULSES).reason == "No batch has come."


# --- a touched bracket ----------------------------------------------------------------------------------------


def test_a_touched_bracket_asks_for_a_new_baseline_at_what_the_chain_was_last() -> None:
    store, at_ns = a_store(SOUND, SENT), after(SENT)
    first = store.set_up.record_baseline("d", e0=E0.NEW, why="new chain", at_ns=at_ns, by="Anna")
    store.readings.store(readings_of(SOUND, SENT[-3:], first))
    touched = at_ns + 10 * S
    drive = store.set_up.note_bracket_touched("d", why="gap of down\nset anew", at_ns=touched, by="Jo")
    assert drive.note.endswith("Jo: bracket touched: gap of down set anew")

    moved = dataclasses.replace(SOUND, spacing_error_mm=0.3, registered={"spacing_u_mm": 1.0})
    later = [dataclasses.replace(each, t0_ns=each.t0_ns + 600 * S) for each in moved.batches()]
    store.raw_batches.keep([sent(each) for each in later])
    state = store.set_up.state("d", at_ns=after(later))
    assert state.since_ns == -(-touched // S) * S
    assert state.commissioning.batches == len(later)  # none of before
    step = state.commissioning.step(StepId.BASELINE)
    assert step.state is StepState.WAITING
    assert "no longer holds" in step.reason
    assert state.e0 is E0.LAST
    last = store.readings.newest_of("d")
    assert last is not None
    assert state.starts[E0.LAST].elongation_pct == last.reading.elongation_pct

    second = store.set_up.record_baseline("d", e0=E0.LAST, why="gap set anew", at_ns=after(later), by="Jo")
    assert second.taken_ns >= touched
    assert second.pitches_between - first.pitches_between == pytest.approx(0.3 / 12.7, abs=0.002)
    assert store.register.baselines("d/1") == [first, second]
    assert (
        store.set_up.state("d", at_ns=after(later)).commissioning.step(StepId.BASELINE).state
        is StepState.PASSED
    )


def test_notes_add_up_and_a_full_one_is_refused_with_nothing_lost() -> None:
    full = dataclasses.replace(SOUND, registered={"note": "Gearbox renewed."})
    store = a_store(full, SENT)
    for n in range(2):
        store.set_up.note_bracket_touched("d", why=f"time {n}", at_ns=after(SENT) + n * S, by="Jo")
    note = store.register.drive("d").note
    assert note.startswith("Gearbox renewed.\n")
    assert note.count("bracket touched") == 2
    with pytest.raises(FieldsRefusedError, match="shorten it"):
        store.set_up.note_bracket_touched("d", why="x" * 4000, at_ns=after(SENT), by="Jo")
    assert store.register.drive("d").note == note


# --- delay ----------------------------------------------------------------------------------------------------


def test_the_delay_found_is_applied_with_who_and_why() -> None:
    store, at_ns = a_store(TWO_SPEEDS, SENT_AT_TWO), after(SENT_AT_TWO)
    applied = store.set_up.apply_delay("d", why="fitted at two speeds", at_ns=at_ns, by="Anna")
    drive = store.register.drive("d")
    assert applied.drive == drive
    assert drive.delay_us == pytest.approx(100, abs=10)
    assert 0 < drive.delay_u_us < 5
    assert "Anna: switching delay of" in drive.note
    assert "fitted at two speeds" in drive.note
    assert applied.baseline is None
    after_it = store.set_up.state("d", at_ns=at_ns).commissioning
    assert after_it.step(StepId.DELAY).state is StepState.PASSED
    assert after_it.ready_for_baseline


def test_a_baseline_from_before_the_delay_is_corrected_for_it() -> None:
    """It was taken at 1.2 m/s, where 100 us make 0.0094 pitches; readings at either speed agree after."""
    store, at_ns = a_store(TWO_SPEEDS, SENT_AT_TWO), after(SENT_AT_TWO)
    fast = SENT_AT_TWO[24:]
    n0 = TWO_SPEEDS.true_pitches_between + 1e-4 * 1200 / 12.7
    old = Baseline(
        chain_id="d/1", pitches_between=n0, pitches_between_u=0.001, elongation_pct=0.07, elongation_u_pct=0.01,
        taken_ns=fast[0].t0_ns, recorded_ns=fast[0].t0_ns, recorded_by="Jo", why="new chain",
    )  # fmt: skip
    store.register.record_baseline(old)
    store.readings.store(readings_of(TWO_SPEEDS, fast, old))
    applied = store.set_up.apply_delay("d", why="two speeds", at_ns=at_ns, by="Anna")
    assert applied.advice == ()
    assert applied.baseline is not None
    assert applied.baseline.pitches_between == pytest.approx(TWO_SPEEDS.true_pitches_between, abs=0.001)
    assert applied.baseline.pitches_between_u > 0.001
    assert applied.baseline.taken_ns == old.taken_ns
    assert applied.baseline.why.startswith("corrected: switching delay of")
    assert baseline_at(store.register.baselines("d/1"), at_ns) == applied.baseline
    for speed, some in ((0.6, SENT_AT_TWO[3]), (1.2, SENT_AT_TWO[30])):
        reading = convert(
            some, drive=applied.drive, chain=TWO_SPEEDS.chain, baseline=applied.baseline, last=None
        )
        assert reading.elongation_pct == pytest.approx(0.07, abs=0.01), speed


def test_a_baseline_of_unknown_speed_is_not_touched_but_asked_for_anew() -> None:
    store, at_ns = a_store(TWO_SPEEDS, SENT_AT_TWO), after(SENT_AT_TWO)
    old = Baseline(
        chain_id="d/1", pitches_between=24.28, pitches_between_u=0.001, elongation_pct=0.07, elongation_u_pct=0.01,
        taken_ns=T0_NS - 10**15, recorded_ns=T0_NS - 10**15, recorded_by="Jo", why="new chain",
    )  # fmt: skip
    store.register.record_baseline(old)
    applied = store.set_up.apply_delay("d", why="two speeds", at_ns=at_ns, by="Anna")
    assert applied.baseline is None
    assert any("Record a new baseline" in each for each in applied.advice)
    assert store.register.baselines("d/1") == [old]


def test_nothing_is_applied_that_was_not_found() -> None:
    with pytest.raises(ConflictError, match="two clearly different speeds"):
        a_store(SOUND, SENT).set_up.apply_delay("d", why="x", at_ns=after(SENT), by="Anna")
    sound = Running(speeds=(0.6, 1.2))
    batches = sound.batches()
    with pytest.raises(ConflictError, match="nothing to take off"):
        a_store(sound, batches).set_up.apply_delay("d", why="x", at_ns=after(batches), by="Anna")


# --- strain ---------------------------------------------------------------------------------------------------


def loaded(registered: dict[str, float] | None = None) -> tuple[Running, list[Batch]]:
    """Windows under loads from 500 to 3500 N, which stretch the strand by 0.03 % per kN above 1000 N."""
    batches: list[Batch] = []
    running = Running(registered=dict(registered or {}))
    for n in range(40):
        under = Surroundings(load_n=500 + 75 * (n * 7 % 40), reference_load_n=1000, strain_pct_per_kn=0.03)
        (batch,) = dataclasses.replace(running, seconds=5, surroundings=under, sends=("load_n",)).batches()
        batches.append(dataclasses.replace(batch, seq=n, t0_ns=T0_NS + n * 60 * S))
    return running, batches


def test_the_strain_that_readings_teach_is_applied_at_the_load_of_the_baseline() -> None:
    running, batches = loaded()
    store, at_ns = a_store(running, batches), after(batches)
    held = Baseline(
        chain_id="d/1", pitches_between=running.true_pitches_between, pitches_between_u=0.0005, elongation_pct=0.07,
        elongation_u_pct=0.01, taken_ns=batches[20].t0_ns, recorded_ns=batches[20].t0_ns, recorded_by="Jo", why="new",
    )  # fmt: skip
    store.register.record_baseline(held)
    store.readings.store(readings_of(running, batches, held))
    learnt = store.set_up.learnt("d", 0, at_ns)
    assert isinstance(learnt.strain, StrainFit)
    assert learnt.strain.significant
    assert abs(learnt.strain.strain_pct_per_kn - 0.03) < 3 * learnt.strain.u_pct_per_kn
    assert learnt.readings == 40
    assert learnt.delay is NotLearnt.ONE_SPEED
    applied = store.set_up.apply_strain("d", why="it stands out", from_ns=0, at_ns=at_ns, by="Anna")
    drive = store.register.drive("d")
    assert drive.strain_pct_per_kn == pytest.approx(0.03, abs=0.002)
    assert drive.load_ref_n is not None
    assert "Anna: strain of 0.0" in drive.note
    assert applied.baseline is not None
    assert applied.baseline.pitches_between == pytest.approx(
        held.pitches_between, rel=1e-9
    )  # its own load it is
    at = dataclasses.replace(running, registered={})
    spread = [
        convert(each, drive=drive, chain=at.chain, baseline=applied.baseline, last=None).elongation_pct
        for each in batches
    ]
    known = [each for each in spread if each is not None]
    assert max(known) - min(known) < 0.01  # 0.09 % before


def test_with_a_reference_load_the_baseline_is_brought_to_it() -> None:
    running, batches = loaded({"load_ref_n": 1000.0})
    store, at_ns = a_store(running, batches), after(batches)
    store.register.record_baseline(
        Baseline(
            chain_id="d/1",
            pitches_between=24.0,
            pitches_between_u=0.0005,
            elongation_pct=0.07,
            elongation_u_pct=0.01,
            taken_ns=batches[20].t0_ns,
            recorded_ns=batches[20].t0_ns,
            recorded_by="Jo",
            why="new",
        )
    )
    store.readings.store(readings_of(running, batches))
    applied = store.set_up.apply_strain("d", why="it stands out", from_ns=0, at_ns=at_ns, by="Anna")
    assert applied.drive.load_ref_n == 1000.0
    assert applied.baseline is not None
    near = sorted(each.load_n or 0.0 for each in batches[10:31])
    above_kn = (near[len(near) // 2] - 1000) / 1000
    assert applied.baseline.pitches_between == pytest.approx(24.0 * (1 + 0.0003 * above_kn), abs=0.002)


def test_a_strain_that_does_not_stand_out_is_not_applied() -> None:
    store = a_store(SOUND, SENT)
    store.readings.store(readings_of(SOUND, SENT))
    with pytest.raises(ConflictError, match="no strain that stands out"):
        store.set_up.apply_strain("d", why="x", from_ns=0, at_ns=after(SENT), by="Anna")
    assert store.register.drive("d").strain_pct_per_kn is None
    assert a_store(SOUND, []).set_up.learnt("d", 0, T0_NS).readings == 0
