"""Time to decode one batch of 2 x 150 pulses in each of its forms, against the plainest decoding there is.

    .venv/bin/python tests/bench/wire.py

The yardstick is json.loads and np.array of both lists, which checks nothing. Ratios hold within one run.
"""

import json
import sys
import timeit
from collections.abc import Callable
from pathlib import Path

import cbor2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.core.batch import Batch
from service.core.wire import Form, decode
from tests.strategies import LAG, NOW_NS, PULSES, to_json, ways_to_write

PERIOD, OFFSET = 19_844, 8_921  # ticks of 1 us: 0.64 m/s over 12.7 mm


def best_us(work: Callable[[], object]) -> float:
    """Return the best of seven rounds, microseconds a call."""
    return min(timeit.repeat(work, number=5000, repeat=7)) / 5000 * 1e6


def plain(payload: bytes) -> tuple[object, object]:
    """The yardstick."""
    fields = json.loads(payload)
    return np.array(fields["up"]), np.array(fields["down"])


def taken(payload: bytes, form: Form) -> Batch:
    """Decode; anything but a batch would make the figure worthless."""
    result = decode(payload, form=form, drive_id="bench", content_type=None, now_ns=NOW_NS)
    if not isinstance(result, Batch):
        raise TypeError(result)
    return result


def main() -> None:
    """Print one line a form."""
    up = [12 + PERIOD * n for n in range(150)]
    fields = {**PULSES, "up": up, "down": [tick + OFFSET for tick in up]}
    yardstick = to_json(fields)
    plain_us = best_us(lambda: plain(yardstick))
    print(f"{'form':26} {'bytes':>6} {'us':>7} {'ratio':>6}")
    print(f"{'json.loads and np.array':26} {len(yardstick):6} {plain_us:7.1f} {1:6.2f}")
    cases = [(way, payload, Form.PULSES) for way, payload in ways_to_write(fields).items()]
    for way, payload, form in [
        *cases,
        ("lag, json", to_json(LAG), Form.LAG),
        ("lag, cbor", cbor2.dumps(LAG), Form.LAG),
    ]:
        us = best_us(lambda payload=payload, form=form: taken(payload, form))  # type: ignore[misc]
        print(f"{way:26} {len(payload):6} {us:7.1f} {us / plain_us:6.2f}")


if __name__ == "__main__":
    main()
