"""Reduce the samples of a series for drawing or sending without losing its peaks."""

from collections.abc import Sequence

from watchkeeper.model.records import Bucket, Sample


def downsample(samples: Sequence[Sample], points: int) -> Sequence[Sample]:
    """At most `points` (at least 4) of the samples, oldest first.

    They are the first, the last, and the lowest and the highest of each time span. A sample without a value is kept as
    the lowest, so that a gap stays one.
    """
    if len(samples) <= points:
        return samples
    first, last = samples[0], samples[-1]
    stretches = max((points - 2) // 2, 1)
    span = (last.at_s - first.at_s) or 1.0
    lows: dict[int, int] = {}
    highs: dict[int, int] = {}
    for i in range(1, len(samples) - 1):
        stretch = min(int((samples[i].at_s - first.at_s) / span * stretches), stretches - 1)
        height = _height(samples[i])
        if stretch not in lows or height < _height(samples[lows[stretch]]):
            lows[stretch] = i
        if stretch not in highs or height > _height(samples[highs[stretch]]):
            highs[stretch] = i
    return [first, *(samples[i] for i in sorted({*lows.values(), *highs.values()})), last]


def unfold(buckets: Sequence[Bucket]) -> list[Sample]:
    """Samples that draw like the ones that were aggregated into buckets.

    They are the lowest, the highest and the last of each bucket; and the first one without a value if it had such.
    """
    found: list[Sample] = []
    for each in buckets:
        if each.missing_s is not None:
            found.append(Sample(each.missing_s, None, each.bound))
        if each.least is None or each.most is None or each.last is None:
            continue
        # The position of the lowest within its bucket is not known; a quarter of a bucket is less than a pixel. None is
        # before the oldest sample: the table beside the chart would show a time at which nothing was monitored yet.
        if each.least != each.last:
            found.append(Sample(_within(each, 1 / 4), each.least, each.bound))
        if each.most not in {each.last, each.least}:
            found.append(Sample(_within(each, 3 / 4), each.most, each.bound))
        found.append(Sample(each.last_s, each.last, each.bound))
    return sorted(found, key=lambda sample: sample.at_s)


def _within(bucket: Bucket, share: float) -> float:
    """A time in a bucket, between its oldest and its newest sample."""
    return min(max(bucket.start_s + bucket.width_s * share, bucket.first_s), bucket.last_s)


def _height(sample: Sample) -> float:
    return float("-inf") if sample.value is None else sample.value
