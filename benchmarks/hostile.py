"""Odd inputs for as long as wanted: python benchmarks/hostile.py --minutes 60 [--seed N] [--store]

Case files, tables, scans, flags, studies and stored folders made from a seed
(tests/hostile/sorts.py), given to the command line and judged by the manners of the answer
(tests/hostile/campaign.py). Prints tried, passed and violated by sort; exit code 1 when something
had no manners.

With `--store` the counts are kept in benchmarks/results/hostile.json, every half minute, and the
next call goes on with the next number of the seed. What had no manners earlier is tried once more
first: where the answer has manners now it counts as mended. `--minutes 0` only does that.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "hostile"))

from campaign import Count, campaign, once  # noqa: E402
from newer_sorts import SORTS  # noqa: E402

RESULTS = ROOT / "benchmarks" / "results" / "hostile.json"
EVERY_S = 30.0


def say(text: str) -> None:
    """A line, at once."""
    print(text.encode("utf-8", "backslashreplace").decode(), flush=True)


def kept(seed: int) -> dict[str, Any]:
    """What earlier calls found, or nothing yet."""
    if RESULTS.exists():
        held: dict[str, Any] = json.loads(RESULTS.read_text("utf-8"))
        if held["seed"] != seed:
            raise SystemExit(f"{RESULTS} holds seed {held['seed']}; give that, or remove the file")
        return held
    return nothing(seed)


def nothing(seed: int) -> dict[str, Any]:
    """No counts yet."""
    return {"seed": seed, "next": 0, "minutes": 0.0, "processor_minutes": 0.0,
            "minutes_since_a_violation": 0.0, "sorts": {}, "violated": []}


def again(held: dict[str, Any]) -> None:
    """Try what was violated once more."""
    for fault in held["violated"]:
        tried = once(SORTS[fault["sort"]], fault["sort"], held["seed"], fault["number"])
        fault["mended"] = not tried.fault
        say(f"{fault['sort']} {fault['number']} again: {tried.fault or 'has manners now'}")


def placeless(text: str) -> str:
    """A text without the temporary folders of this machine."""
    return re.sub(r"/\S*/(?=in/|simkit-report)", "", text)


def joined(held: dict[str, Any], counts: dict[str, Count], minutes: float,
           following: int) -> dict[str, Any]:
    """Earlier counts and those of this call."""
    whole = json.loads(json.dumps(held))
    whole["next"], whole["minutes"] = following, round(held["minutes"] + minutes, 1)
    for name, count in counts.items():
        old = whole["sorts"].get(name, {"tried": 0, "passed": 0, "violated": 0})
        whole["sorts"][name] = {"tried": old["tried"] + count.tried,
                                "passed": old["passed"] + count.passed,
                                "violated": old["violated"] + len(count.violated)}
        whole["violated"] += [{"sort": name, "number": number, "mended": False,
                               "command": ascii(placeless(" ".join(tried.argv))[:200]),
                               "fault": ascii(placeless(tried.fault)[:300])}
                              for number, tried in count.violated]
    whole["processor_minutes"] = round(held["processor_minutes"] + time.process_time() / 60.0, 1)
    last = max((at for count in counts.values() for at in count.minutes), default=None)
    whole["minutes_since_a_violation"] = round(
        held["minutes_since_a_violation"] + minutes if last is None else minutes - last, 1)
    whole["violations_at_the_end"] = sum(not fault["mended"] for fault in whole["violated"])
    return whole


def store(whole: dict[str, Any]) -> None:
    """Keep the counts."""
    part = RESULTS.with_suffix(".part")
    part.write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    part.replace(RESULTS)


def main() -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--sorts", default=",".join(SORTS), help="names with commas between")
    parser.add_argument("--store", action="store_true", help="keep in benchmarks/results")
    options = parser.parse_args()
    chosen = {name: SORTS[name] for name in options.sorts.split(",")}
    held = kept(options.seed) if options.store else nothing(options.seed)
    again(held)
    begin, stored, whole = time.monotonic(), 0.0, joined(held, {}, 0.0, held["next"])
    for following, counts in campaign(chosen, options.minutes, options.seed, say, held["next"]):
        minutes = (time.monotonic() - begin) / 60.0
        whole = joined(held, counts, minutes, following)
        if options.store and 60.0 * (minutes - stored) > EVERY_S:
            store(whole)
            stored = minutes
    if options.store:
        store(whole)
    say(f"{'sort':<10} {'tried':>7} {'passed':>7} {'violated':>8}")
    for name, count in whole["sorts"].items():
        say(f"{name:<10} {count['tried']:7d} {count['passed']:7d} {count['violated']:8d}")
    say(f"{whole['minutes']} min, {whole['processor_minutes']} of the processor; "
        f"{whole['violations_at_the_end']} violations not mended; "
        f"{whole['minutes_since_a_violation']} min since the last one")
    return 1 if whole["violations_at_the_end"] else 0


if __name__ == "__main__":
    sys.exit(main())
