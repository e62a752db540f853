"""The accuracy that DEVELOPERS.md states, on fewer drives than the table's command draws."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest


def bench() -> ModuleType:
    """The command that makes the table, as a module."""
    path = Path(__file__).parent / "bench" / "accuracy.py"
    spec = importlib.util.spec_from_file_location("accuracy_bench", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


ACCURACY = bench()


@pytest.mark.parametrize("case", ACCURACY.CASES)
def test_readings_are_as_accurate_as_stated_over_the_whole_range(case: str) -> None:
    rng = np.random.default_rng(77)
    setting: dict[str, Any] = {"place_known": True} | ACCURACY.CASES[case]
    trials = [ACCURACY.trial(rng, **setting) for _ in range(200)]
    assert all(isinstance(trial, ACCURACY.Trial) for trial in trials), "a batch was refused"
    assert not any(trial.whole_wrong for trial in trials)
    large = np.array([abs(trial.error_pct) for trial in trials if trial.teeth >= 17])
    assert np.quantile(large, 0.99) <= 0.02
    assert np.mean([abs(trial.error_pct) <= 1.96 * trial.stated_u_pct for trial in trials]) >= 0.95


def test_without_a_last_elongation_no_whole_pitch_is_wrong() -> None:
    """A first reading without a baseline: the alternation tells what a long spacing leaves open."""
    rng = np.random.default_rng(78)
    for _ in range(150):
        setting = ACCURACY.draw(rng)
        reading, simulated = ACCURACY.read(setting, place_known=True, last_pct=None, laps=1.05)
        assert reading.elongation_pct is not None
        assert abs(reading.pitches_between - simulated.true_pitches_between) < 0.1
