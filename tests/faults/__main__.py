"""`python -m tests.faults [--quick] [--only NAME] [--seed N] [--amount N]`; exit status 1 where anything is wrong."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile

from tests.faults.harness import KINDS, try_kind
from tests.signals import as_in_a_terminal


def main() -> int:
    """Try each kind asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description="Make faults, and see what becomes.")
    parser.add_argument("--quick", action="store_true", help="few cases of each kind, two minutes in all")
    parser.add_argument("--only", action="append", choices=KINDS, metavar="NAME", help=f"one of {', '.join(KINDS)}")
    parser.add_argument("--seed", type=int, default=1, help="number of the first case")
    parser.add_argument("--amount", type=int, help="cases of each kind")
    wanted = parser.parse_args()
    as_in_a_terminal()
    with tempfile.TemporaryDirectory() as cache:
        os.environ["OMP_NUM_THREADS"] = "1"  # LibRaw's threads do not outlive a fork, and wait for each other for ever
        # No case fetches anything or touches the cache of the person who runs it.
        os.environ |= {"EVENCOURT_OFFLINE": "1", "XDG_CACHE_HOME": cache, "EVENCOURT_CACHE": f"{cache}/frames"}
        found = sum(
            try_kind(name, wanted.amount, wanted.quick, wanted.seed, lambda text: print(text, flush=True))
            for name in wanted.only or KINDS
        )
    print(f"{found} wrong" if found else "nothing wrong")
    return int(found > 0)


if __name__ == "__main__":
    sys.exit(main())
