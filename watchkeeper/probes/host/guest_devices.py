"""Whether a USB device that was handed to a guest is still held by it.

QEMU takes a device from the host's drivers through usbfs, and keeps its node open. Which process holds it is seen by
root only (privileged/guests/usb_holders.py). Not here: whether the device is plugged in at all (devices.py).
"""

import json
from pathlib import Path

from watchkeeper.errors import ProbeError
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.tools import ask_root, result_of

PROGRAM = "python"


async def holder(context: ProbeContext, helper: Path, number: str, timeout_s: float) -> str | None:
    """The guest that holds the device; None if none does. number: its bus and number there, as `1-7`.

    Raises PrivilegeMissing and ProbeError if that cannot be known.
    """
    results = await ask_root(context, "usb-holders", helper, timeout_s)
    said = result_of(results, results[0].target if results else PROGRAM, timeout_s)
    try:
        held = {f"{each['bus']}-{each['device']}": str(each["guest"]) for each in json.loads(said)}
    except (ValueError, RecursionError, KeyError, TypeError) as error:
        raise ProbeError("the helper's answer cannot be read; install the same version of both") from error
    return held.get(number)
