"""The demo tells what happens to its drives, each thing once."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from service.adapters.database.connect import Database, open_database
from service.commands.demo import Teller
from service.core.batch import Rejection, RejectionReason
from service.core.drive import Chain, Drive
from service.core.reading import NotMeasured, Reading
from service.ports import Sighting

NOW_NS = 1_790_000_000_000_000_000
MEASURED = Reading(
    drive_id="infeed-2", device_id="", t0_ns=NOW_NS, seq=0, t_ns=NOW_NS + 10**9, chain_id="c", elongation_pct=2.9,
    elongation_u_pct=0.02, reason=None, pitches_between=23.4, lag_pitches=0.4, speed_m_s=1.0, coherence=1.0,
    pitches_averaged=40, whole_laps=0, up_pulses=40, down_pulses=40, up_missed=0, down_missed=0, up_extra=0, down_extra=0,
    temp_c=None, mount_c=None, load_n=None,
)  # fmt: skip


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = open_database(f"sqlite:///{tmp_path}/linklag.db")
    opened.register.add_drive(Drive(drive_id="infeed-2", name="Infeed", whole_pitches=24))
    opened.register.fit_chain(
        Chain(chain_id="c", drive_id="infeed-2", designation="16B-1", pitch_mm=25.4, fitted_ns=NOW_NS - 10**9)
    )
    yield opened
    opened.close()


def after(number: int, **changes: object) -> Reading:
    """Return the reading of the batch with this number."""
    shift_ns = number * 10**9
    return replace(
        MEASURED,
        seq=number,
        t0_ns=NOW_NS + shift_ns,
        t_ns=NOW_NS + shift_ns + 10**9,
        **changes,  # type: ignore[arg-type]
    )


def told(teller: Teller, capsys: pytest.CaptureFixture[str]) -> list[str]:
    teller.look()
    return [line.strip().split("  ", 1)[1] for line in capsys.readouterr().out.splitlines()]


def test_limit_that_is_crossed_is_told_once_with_the_uncertainty(
    database: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    teller = Teller(database)
    assert told(teller, capsys) == []
    database.readings.store([after(0)])
    assert told(teller, capsys) == ["all 1 registered drives have a reading"]
    database.readings.store([after(1, elongation_pct=3.012)])
    assert told(teller, capsys) == [
        "infeed-2 (Infeed) crossed its limit: 3.012 % +/- 0.040 % (k = 2), limit 3 %"
    ]
    database.readings.store([after(2, elongation_pct=3.1)])
    assert told(teller, capsys) == []


def test_silent_sensor_is_told_and_so_is_its_return(
    database: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    teller = Teller(database)
    database.readings.store([after(0)])
    told(teller, capsys)
    silent = {"reason": NotMeasured.SENSOR_SILENT, "elongation_pct": None, "elongation_u_pct": None}
    database.readings.store([after(1, **silent, down_pulses=0)])
    assert told(teller, capsys) == ["infeed-2 (Infeed): sensor `down` fell silent"]
    assert told(teller, capsys) == []
    database.readings.store([after(2)])
    assert told(teller, capsys) == ["infeed-2 (Infeed): both sensors pulse again"]
    database.readings.store([after(3, **silent, up_pulses=0)])
    assert told(teller, capsys) == ["infeed-2 (Infeed): sensor `up` fell silent"]


def test_drive_that_nobody_registered_and_refused_message_are_told_once(
    database: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    sighting = Sighting(
        drive_id="lift", first_seen_ns=1, last_seen_ns=1, messages=1, topic="", device_id="", up_rate_hz=None,
        down_rate_hz=None,
    )  # fmt: skip
    refused = Rejection(
        drive_id="infeed-2", topic="", reason=RejectionReason.NOT_PARSEABLE, detail="It is no JSON.", payload=b"?",
        payload_bytes=1, received_ns=1,
    )  # fmt: skip
    unregistered = replace(refused, drive_id="lift", reason=RejectionReason.UNREGISTERED)
    database.refused.keep([refused, unregistered], [sighting])
    teller = Teller(database)
    assert told(teller, capsys) == [
        "lift: publishes, and nobody registered it",
        "infeed-2: a message was refused and kept. It is no JSON.",
    ]
    assert told(teller, capsys) == []
