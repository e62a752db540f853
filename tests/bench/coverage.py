"""How often the stated 95 % interval holds the truth, over set-ups drawn at random; prints the figures of DEVELOPERS.md.

    .venv/bin/python tests/bench/coverage.py --set-ups 1000

The set-ups are those of tests/test_honest_uncertainty.py, from other seeds: all that a drive's settings only bound is drawn
from those bounds, and the truth is the simulator's mean elongation against nominal.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.test_honest_uncertainty import NEARLY_NEW_PCT_MAX, WORN_PCT_MAX, errors, held, some

OF = {
    "elongation": "live value",
    "up_alternation": "alternation at up",
    "down_alternation": "alternation at down",
    "both_alternations": "mean of both",
}


def main() -> None:
    """Print a line for each range of wear and each number of a reading."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set-ups", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print("wear up to | number | measured | 95 % holds | mean error | rms error over u")
    for worn_pct_max in (WORN_PCT_MAX, NEARLY_NEW_PCT_MAX):
        set_ups = [
            each for each in some(args.seed, worn_pct_max, args.set_ups) if each.reading.reason is None
        ]
        for of, name in OF.items():
            error, u = errors(set_ups, of)
            rms = float(np.sqrt(np.mean(np.square(error / u))))
            print(
                f"{worn_pct_max:g} % | {name} | {len(set_ups)} of {args.set_ups} | {100 * held(set_ups, of):.1f} % | "
                f"{error.mean():+.4f} % | {rms:.2f}"
            )


if __name__ == "__main__":
    main()
