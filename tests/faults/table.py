"""The table of faults, made for real: `python -m tests.faults.table [--only WORDS] [--minutes N] [--every-pair]`.

Prints each row as it comes to standard error, and the table in Markdown at the end. Exit code 1 where a row does not hold.
"""

import argparse
import logging
import sys
import time
import traceback

import pytest
import structlog

from tests.faults import (
    clocks,
    influx_answers,
    network,
    postgres,
    power,
    processes,
    rabbitmq_three_nodes,
    several,
    stores,
)
from tests.faults.row import Named, Row, as_table


def named(minutes: float, *, every_pair: bool = False) -> list[Named]:
    """All rows, in the order of the table."""
    before = (processes, stores, postgres, influx_answers, network, clocks, several)
    rows = [row for module in before for row in module.rows(minutes)]
    return [*rows, *power.rows(minutes, every_pair=every_pair), *rabbitmq_three_nodes.rows(minutes)]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="only rows whose name has these words")
    parser.add_argument("--minutes", type=float, default=0.33, help="how long a store is away")
    parser.add_argument("--every-pair", action="store_true", help="cut the power at each pair of places")
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    made: list[Row] = []
    failed = []
    for name, make in named(asked.minutes, every_pair=asked.every_pair):
        if asked.only not in name:
            continue
        began_s = time.monotonic()
        try:
            row = make()
        except pytest.skip.Exception as lack:
            print(f"{name}: not run, {lack}", file=sys.stderr)
            failed.append(name)
            continue
        except AssertionError as fault:
            print(f"{name}: failed after {time.monotonic() - began_s:.0f} s: {fault}", file=sys.stderr)
            traceback.print_tb(fault.__traceback__)
            failed.append(name)
            continue
        print(row, "holds" if row.holds else "DOES NOT HOLD", file=sys.stderr)
        made.append(row)
    print(as_table(made))
    if failed:
        print(f"\nnot run, or failed: {'; '.join(failed)}")
    return 0 if not failed and all(row.holds for row in made) else 1


if __name__ == "__main__":
    sys.exit(main())
