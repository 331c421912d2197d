"""A year of a plausible house: how many messages there are, and on how many of them an operator could act.

Run as `python -m tests.bench.year [seed [first day [last day]]]`. Each message is matched with what of the script
(tests/support/year.py) can have caused it: the same thing, the same concern, while it lasts and four hours beyond. What
asks for attention (raised, worse, a reminder, a note) and is about a trouble that somebody can repair is one to act on;
ends and easings are good news of it; what is about something that only happens (a restart at an upgrade, an import, a
power cut that is over) is to be known; what nothing of the script explains is false.
"""

import asyncio
import sys
from collections import Counter

from tests.support.living import Living
from tests.support.year import BEGAN_AT, DAY, ZONE, Year
from watchkeeper.clock import Clock


def main(seed: int, first: int, last: int) -> None:
    began_s = Clock().monotonic_s()
    living = Living(Year(seed), BEGAN_AT + first * DAY)
    asyncio.run(living.until(BEGAN_AT + last * DAY))
    print(f"seed {seed}, days {first} to {last}, in {Clock().monotonic_s() - began_s:.0f} s")
    print_counts(living)
    print_troubles(living)


def print_counts(living: Living) -> None:
    told = living.told
    table = Counter((t.message.priority.word if t.message.priority else "ended", t.message.kind.value) for t in told)
    print(f"messages: {len(told)}")
    for (priority, telling), count in sorted(table.items()):
        print(f"  {priority:8} {telling:9} {count:4}")
    asks = [t for t in told if t.asks]
    print(f"ask for attention: {len(asks)}; an operator could act on {sum(t.useful for t in told)} of them")
    known = [t for t in asks if t.because is not None and not t.because.acts]
    print(f"of what only happens: {len(known)}; false: {len(living.false())}; good news: {len(told) - len(asks)}")
    days = living.by_day()
    print(f"days with a message: {len(days)}; most on one day: {days.most_common(3)}")


def print_troubles(living: Living) -> None:
    by = Counter(t.because.name if t.because else "FALSE" for t in living.told)
    for name, count in by.items():
        print(f"  {count:3} {name}")
    for t in living.told:
        m = t.message
        name = t.because.name if t.because else "FALSE"
        print(f"{m.at.astimezone(ZONE):%m-%d %H:%M} {m.kind.value:9} {name:38} {m.headline}")
    print("late or never told:", *living.late(), sep="\n  ")


if __name__ == "__main__":
    given = [int(each) for each in sys.argv[1:]]
    main(*(given + [1, 0, 365][len(given) :]))
