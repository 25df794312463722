"""Odd inputs for as long as wanted: python benchmarks/hostile.py --minutes 60 [--seed N]

Case files, tables, scans, flags and stored folders made from a seed (tests/hostile/sorts.py), given
to the command line and judged by the manners of the answer (tests/hostile/campaign.py). Prints
tried, passed and violated by sort; exit code 1 when something had no manners.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "hostile"))

from campaign import campaign  # noqa: E402
from sorts import SORTS  # noqa: E402


def main() -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--sorts", default=",".join(SORTS), help="names with commas between")
    parser.add_argument("--store", action="store_true", help="keep in benchmarks/results")
    options = parser.parse_args()
    chosen = {name: SORTS[name] for name in options.sorts.split(",")}
    counts = campaign(chosen, options.minutes, options.seed, lambda text: print(text, flush=True))
    print(f"{'sort':<10} {'tried':>7} {'passed':>7} {'violated':>8}")
    for name, count in counts.items():
        print(f"{name:<10} {count.tried:7d} {count.passed:7d} {len(count.violated):8d}")
    if options.store:
        result = {"minutes": options.minutes, "seed": options.seed, "sorts": {
            name: {"tried": c.tried, "passed": c.passed, "violated": len(c.violated)}
            for name, c in counts.items()}}
        (ROOT / "benchmarks" / "results" / "hostile.json").write_text(
            json.dumps(result, indent=1) + "\n", encoding="utf-8")
    return 1 if any(count.violated for count in counts.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
