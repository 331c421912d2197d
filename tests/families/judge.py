"""Judges forecasts, and the alerts made from them, on histories whose end is known; in this process, two at a time.

    python -m tests.families.judge [--set first] [--seeds 3] [--first-seed 0] [--family steady ...] [--jobs 2]
        [--every 1]
For each family, the mean over its seeds:
  caught    share of the filling cases in which a warning or alarm stood at the last moment that leaves time to act:
            48 h before the end, or half of the time since the onset where that is less
  lead_d    days from the first warning after the onset to the end
  false_h   hours with a warning or alarm standing while the truth was over 28 days away, or never
  raises    times that a warning or alarm was raised
  log_err   median |ln(forecast time left / true time left)|, in the last 30 days, once a quarter of the time since
            the onset has passed
  cover     share of those evaluations whose 90 % interval held the truth
"""

import argparse
import importlib
import json
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from tests.families.shapes import DAY, HOUR, WEEK, Case, Floats, make
from watchkeeper.alerting.backtest import Evaluation, replay
from watchkeeper.alerting.rules import Rules
from watchkeeper.model.alert import Priority

START_S = 1_767_225_600.0  # 2026-01-01T00:00Z
KEYS = ("caught", "lead_d", "false_h", "raises", "log_err", "cover")
SETS = ("first", "tuned", "heldout", "develop", "aside", "further", "records")


def row(e: Evaluation) -> tuple[float, float, float, float, float]:
    """(now, likely, earliest, latest, standing), in seconds from the start; infinite where there is no end."""
    f = e.forecast
    likely, earliest, latest = (np.inf if s is None else s - START_S for s in (f.likely_s, f.earliest_s, f.latest_s))
    return e.at_s - START_S, likely, earliest, latest, float((e.priority or 0) >= Priority.WARNING)


def rows(case: Case, every_s: float = HOUR) -> Floats:
    """Walk through a case as the daemon would have lived it."""
    walked = replay(START_S + case.time, case.used.astype(int), case.capacity.astype(int), every_s, Rules())
    return np.array([row(e) for e in walked])


def judge(case: Case, seen: Floats) -> dict[str, float]:
    """The figures of one case."""
    now, standing = seen[:, 0], seen[:, 4] > 0
    end = np.inf if case.full_at is None else case.full_at
    left = end - now
    step = float(np.median(np.diff(now))) / HOUR
    result = {
        "false_h": float((standing & (left > 4 * WEEK)).sum() * step),
        "raises": float((np.diff(np.r_[0, standing.astype(int)]) == 1).sum()),
    }
    if case.full_at is None:
        return result
    need = min(2 * DAY, (end - case.onset) / 2)
    before = np.nonzero(now <= end - need)[0]
    result["caught"] = float(len(before) > 0 and standing[before[-1]])
    first = np.nonzero(standing & (now >= case.onset))[0]
    result["lead_d"] = float((end - now[first[0]]) / DAY) if len(first) else 0.0
    judged = (left < 30 * DAY) & (left > HOUR) & (now > case.onset + (end - case.onset) / 4)
    if judged.any():
        known = np.isfinite(seen[judged, 1])
        ahead = np.clip(np.where(known, seen[judged, 1] - now[judged], 365 * DAY), 60, None)
        result["log_err"] = float(np.median(np.abs(np.log(ahead / left[judged]))))
        result["cover"] = float(np.mean((seen[judged, 2] <= end) & (end <= seen[judged, 3])))
    return result


def one(item: tuple[str, str, int, float]) -> dict[str, float]:
    """Make, walk and judge one case: (set, family, seed, hours between evaluations)."""
    module = importlib.import_module(f"tests.families.{item[0]}")
    made = make(getattr(module, item[1]), item[2])
    return judge(made, rows(made, item[3] * HOUR))


def summary(families: Sequence[str], results: Sequence[dict[str, float]], seeds: int) -> dict[str, float]:
    """Print the table, and return the figures over all families."""
    say(f"{'family':24}" + "".join(f"{k:>10}" for k in KEYS))
    means = []
    for i, family in enumerate(families):
        part = results[i * seeds : (i + 1) * seeds]
        mean = [float(np.mean(v)) if (v := [r[k] for r in part if k in r]) else np.nan for k in KEYS]
        means.append(mean)
        say(f"{family:24}" + "".join(f"{'-' if np.isnan(m) else format(m, '.2f'):>10}" for m in mean))
    total = np.array(means)
    quiet = [r["raises"] for r in results if "caught" not in r]
    filling = [r["raises"] for r in results if "caught" in r]
    some = not np.isnan(total[:, 0]).all()
    return {
        "caught": float(np.nanmean(total[:, 0])) if some else 1.0,
        "false_h": float(np.nansum(total[:, 2])),
        "raises_filling": float(np.mean(filling)) if filling else 0.0,
        "raises_not_filling": float(np.mean(quiet)) if quiet else 0.0,
        "log_err": float(np.nanmean(total[:, 4])) if some else 0.0,
        "cover": float(np.nanmean(total[:, 5])) if some else 1.0,
        "cover_worst": float(np.nanmin(total[:, 5])) if some else 1.0,
    }


def say(line: str) -> None:
    """Print a line."""
    sys.stdout.write(line + "\n")


def main() -> None:
    """Judge sets of families and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", nargs="*", default=["first"], choices=SETS)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--family", nargs="*")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--every", type=float, default=1.0, help="hours from one evaluation to the next")
    args = parser.parse_args()
    for name in args.set:
        module = importlib.import_module(f"tests.families.{name}")
        families = [f.__name__ for f in module.FAMILIES if not args.family or f.__name__ in args.family]
        work = [(name, f, args.first_seed + s, args.every) for f in families for s in range(args.seeds)]
        with ProcessPoolExecutor(args.jobs) as pool:
            results = list(pool.map(one, work))
        found = summary(families, results, args.seeds)
        say(json.dumps({k: round(v, 3) for k, v in found.items()}))


if __name__ == "__main__":
    main()
