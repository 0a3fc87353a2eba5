"""Prove the diagnosis on rehearsed cars.

Is the true cause in the first group, are its probabilities honest, and how many minutes does following the advice take?

    python tests/benchmarks/diagnose_rehearsed.py [COUNT] [BASE]

Draws COUNT rehearsals (1,000) over all faults in turn, with severity, battery, weather, onset, bus jitter and
background traffic at random from BASE (3). The numbers of the causes file were set by looking at bases 1 and 9000 to
9002; any other base is unseen. Readings come from the simulated harness, battery and unit (tests/support/meter.py).
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.trials import Trial, as_drawn, as_filed, brier_score, interval, reliability, run_trial


def main() -> None:
    """Run the trials and print their tables."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    base = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    with ProcessPoolExecutor() as pool:
        trials = list(pool.map(partial(run_trial, base=base), range(count), chunksize=4))
    print(f"{count} rehearsed captures, base {base}\n")
    found = sum(trial.truth in trial.first_group for trial in trials)
    low, high = interval(found, count)
    print(f"true cause in the first group: {found} of {count}, {found / count:.1%} (95 %: {low:.1%} to {high:.1%})")
    missed = [trial for trial in trials if trial.truth not in trial.first_group]
    silent = sum(not trial.shows for trial in missed)
    print(f"of the {len(missed)} others the log shows nothing out of the ordinary in {silent}")
    for (fault, first), times in Counter((it.fault, it.first_group[0]) for it in missed).most_common():
        print(f"    {times:3} x {fault}, taken for {first}")
    for words, said in (("as common as the file says", as_filed(trials)), ("as common as drawn", as_drawn(trials))):
        print(f"\nCauses {words}: Brier score {brier_score(said):.4f} (0 is best, 2 is worst)\n")
        print("said           so often   mean said   came true   95 % of that")
        for row in reliability(said):
            low, high = interval(row.true, row.count)
            share = row.true / row.count
            limits = f"{low:.3f} to {high:.3f}"
            print(f"{row.low:.2f} to {row.high:.2f} {row.count:9}   {row.said:9.3f}   {share:9.3f}   {limits}")
    print("\nway                                      minutes a car   ends on the true cause")
    ways = (
        ("the advice", "advised"),
        ("same ranking, measuring in a fixed order", "in_order"),
        ("no log, measuring in a fixed order", "without_log"),
    )
    for words, way in ways:
        routes = [(getattr(trial, way), trial.truth) for trial in trials]
        minutes = sum(route.minutes for route, _ in routes) / count
        right = sum(route.ends_on == truth for route, truth in routes) / count
        print(f"{words:40} {minutes:13.1f}   {right:.1%}")
    print("\nfault                             captures   in first group   size of it   minutes advised, fixed order")
    by_fault: dict[str, list[Trial]] = defaultdict(list)
    for trial in trials:
        by_fault[trial.fault].append(trial)
    for fault, them in by_fault.items():
        n = len(them)
        print(
            f"{fault:32} {n:9} {sum(it.truth in it.first_group for it in them) / n:16.0%}"
            f" {sum(len(it.first_group) for it in them) / n:12.1f} {sum(it.advised.minutes for it in them) / n:17.1f}"
            f" {sum(it.in_order.minutes for it in them) / n:13.1f}"
        )


if __name__ == "__main__":
    main()
