"""What systemd reports about its units, through the machine-readable output of `systemctl`.

`list-units --output=json` and `show --property=...`: systemctl(1), systemd 252. Not here: what a unit's state means.
"""

import re
from collections.abc import Mapping, Sequence
from functools import partial
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from watchkeeper.errors import ProbeError
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import run_tool

UNIT = re.compile(
    r"[A-Za-z0-9:_.\\@-]{1,240}"
    r"\.(service|socket|device|mount|automount|swap|target|path|timer|slice|scope)"
)
"""A unit's name: systemd.unit(5), 255 characters in total."""

PROPERTIES = ("Id", "LoadState", "ActiveState", "SubState", "Result", "Transient", "NRestarts", "ExecMainStatus", "Job")
"""The properties read for each unit. None of them can contain a line break, so one line is one property.

Job: the number of the unit's pending job; omitted if there is none.
"""


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    unit: str


_ROWS = TypeAdapter(list[_Row])

R = TypeVar("R")


async def list_units(bench: ProbeContext, options: Sequence[str], timeout_s: float) -> list[str]:
    """Names of the loaded units that the options select, such as `--state=failed`.

    Raises ToolMissing, ProbeTimeout, StillHanging and ProbeError. Anything that is not a unit name is left out.
    """
    words = ("systemctl", "list-units", *options, "--full", "--no-pager", "--output=json")
    return read_units(await run_tool(bench, words, timeout_s))


def read_units(text: str) -> list[str]:
    """The names of units in a list that systemctl printed as JSON. Raises ProbeError if it is none."""
    return list(dict.fromkeys(row.unit for row in read_rows(_ROWS, text) if UNIT.fullmatch(row.unit)))


def read_rows(rows: TypeAdapter[list[R]], text: str) -> list[R]:
    """The rows of a list that systemctl printed as JSON. Raises ProbeError if it is none: no text is no empty list."""
    try:
        return rows.validate_json(text.encode("utf-8", "surrogateescape"))
    except ValidationError:
        raise ProbeError("systemctl did not print a list as JSON; systemd 246 or later is needed") from None


async def show(bench: ProbeContext, units: Sequence[str], timeout_s: float) -> dict[str, Mapping[str, str]]:
    """The properties of some units by the names that were requested (an alias reports another unit's Id).

    Raises as `list_units` does. A unit that does not exist has the LoadState `not-found`.
    """
    if not units:
        return {}
    words = ("systemctl", "show", "--no-pager", f"--property={','.join(PROPERTIES)}", "--", *units)
    blocks = (await run_tool(bench, words, timeout_s)).strip("\n").split("\n\n")
    if len(blocks) != len(units):
        raise ProbeError(clip(f"systemctl reported {len(blocks)} units, {len(units)} were requested"))
    return {
        unit: dict(_property(line) for line in block.split("\n")) for unit, block in zip(units, blocks, strict=True)
    }


async def show_matching(
    bench: ProbeContext, pattern: str, properties: Sequence[str], timeout_s: float
) -> list[Mapping[str, str]]:
    """These properties of every loaded unit whose name matches a glob. Raises as `list_units` does.

    Each property must be one without line breaks. `Id` must be among them: a block without it is left out.
    """
    words = ("systemctl", "show", "--no-pager", f"--property={','.join(properties)}", "--", pattern)
    text = await run_tool(bench, words, timeout_s)
    # Ten thousand units take a quarter of a second, in which the event loop must not wait.
    return await bench.workers.call("properties of units", partial(_read_blocks, text), timeout_s)


def _read_blocks(text: str) -> list[Mapping[str, str]]:
    blocks = text.strip("\n").split("\n\n")
    shown = [dict(_property(line) for line in block.split("\n")) for block in blocks]
    return [each for each in shown if each.get("Id")]


def _property(line: str) -> tuple[str, str]:
    name, _, value = line.partition("=")
    return name, value
