"""Gives a database a history: feed.py PLAN. Runs in the machine with the interpreter of the installed environment.

PLAN is a JSON file: `database`, and lists of `levels` (subject, quantity, probe, capacity, and samples as pairs of age
in seconds and used), of `answers` (subject, probe, took_s, ages) and of `check_ins` (job, age). Ages count back from
now. Everything is written by the store itself, as a daemon would write it.
"""

import asyncio
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from watchkeeper.model.observation import Answer, Level, Observation, SeriesKey
from watchkeeper.model.probe_state import JobReport
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store


async def feed(plan: dict[str, Any]) -> None:
    """Write everything, each series in one commit."""
    path, now = Path(plan["database"]), datetime.now(UTC)
    path.parent.mkdir(parents=True, exist_ok=True)

    def seen(each: dict[str, Any], age_s: float, what: Observation) -> Seen:
        return Seen(now - timedelta(seconds=age_s), what, each["probe"], each["interval_s"])

    async with await Store.open(path) as store:
        for each in plan.get("levels", ()):
            key = SeriesKey(each["subject"], each["quantity"])
            samples = [seen(each, age_s, Level(key, used, each["capacity"])) for age_s, used in each["samples"]]
            await store.commit(Commit(seen=tuple(samples)))
        for each in plan.get("answers", ()):
            answer = Answer(SeriesKey(each["subject"], "answer"), answered=True, took_s=each["took_s"])
            await store.commit(Commit(seen=tuple(seen(each, age_s, answer) for age_s in each["ages"])))
        for each in plan.get("check_ins", ()):
            await store.job_reports.record(JobReport(each["job"], now - timedelta(seconds=each["age"])))


if __name__ == "__main__":
    asyncio.run(feed(json.loads(Path(sys.argv[1]).read_text("utf-8"))))
