"""A kind of probe for watchkeeper: the water at the jetty, from the file that the tide gauge writes."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.plugin import (
    BaseProbe,
    Deadline,
    Duration,
    Level,
    Observation,
    ProbeContext,
    ProbeError,
    ProbeKind,
    ProbeSettings,
    SeriesKey,
    Unit,
    WholePath,
)


class TideSettings(ProbeSettings):
    """The tide gauge: how high the water stands, and whether the gauge still writes."""

    kind: Literal["tide"] = "tide"
    file: WholePath = Field(description="the file that the gauge writes: one number, in centimetres")
    floods_at: float = Field(gt=0, description="height at which the jetty floods, in centimetres")
    within: Duration = Field(3600.0, description="time within which the gauge must write again")


class TideProbe(BaseProbe):
    """Watches one gauge."""

    def __init__(self, settings: TideSettings, context: ProbeContext) -> None:
        self._settings, self._context = settings, context

    async def observe(self) -> Sequence[Observation]:
        """Read the file in a worker thread: its file system may hang."""
        settings = self._settings
        look = partial(read_gauge, settings.file)
        height, written_at = await self._context.workers.call(f"gauge {settings.file}", look, settings.timeout)
        due_at = written_at + timedelta(seconds=settings.within)
        return [
            Level(SeriesKey("jetty", "water"), height, settings.floods_at, Unit.COUNT),
            Deadline(SeriesKey("jetty", "gauge"), due_at, written_at, settings.within),
        ]


def read_gauge(path: Path) -> tuple[float, datetime]:
    """The height, and when it was written. Raises ProbeError that names the file and what to do."""
    try:
        text = path.read_text(encoding="ascii")[:100].strip()
        written_at = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        return max(float(text), 0.0), written_at
    except OSError as error:
        raise ProbeError(f"{path} cannot be read: {error.strerror}; does the gauge run?") from error
    except ValueError:
        raise ProbeError(f"{path} holds no number; see what the gauge writes") from None


KIND = ProbeKind(TideSettings, TideProbe)
