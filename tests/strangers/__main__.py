"""Make strangers: `python -m tests.strangers --seed 7 --units 50 --days 365 --faults 60 --out DIR`.

In: the command line. Out: DIR with readings/, fleet.toml, truth.jsonl. Writes there and nowhere else.
"""

import argparse
import sys
from pathlib import Path

from tests.strangers.design import Design
from tests.strangers.world import make, twin_of
from tests.strangers.writing import fleet_text, write

UNITS_AT_ONCE = 50  # a year of them takes some 1.5 GB; more at once gains little speed


def main(arguments: list[str] | None = None) -> int:
    """Run the command.

    Args:
        arguments: of the command line; None: the process's own.
    """
    parser = argparse.ArgumentParser(prog="python -m tests.strangers", description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--units", type=int, default=10)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--faults", type=int, default=5, help="how many over all units, one a unit and 90 days at most")
    parser.add_argument(
        "--twins", action="store_true", help="also say when each fault can first be seen; twice the time"
    )
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    if any(options.out.iterdir()):
        print(f"{options.out} is not empty. Name a new folder.", file=sys.stderr)
        return 2
    designs: list[Design] = []
    rows = 0
    for first in range(0, options.units, UNITS_AT_ONCE):
        count = min(UNITS_AT_ONCE, options.units - first)
        share = options.faults * (first + count) // options.units - options.faults * first // options.units
        world = make(options.seed, units=count, days=options.days, faults=share, first_unit=first)
        designs += world.designs
        rows += write(world, options.out, twin_of(world) if options.twins else None)
        print(f"{first + count} of {options.units} units, {rows} readings", file=sys.stderr)
    (options.out / "fleet.toml").write_text(fleet_text(designs), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
