"""What the kernel says of thin pools, where there are any."""

from collections.abc import Iterable, Mapping, Sequence

from watchkeeper.privileged.commands import Result
from watchkeeper.probes.storage.lvm.tables import ThinStatus, Volume, read_thin_status
from watchkeeper.probes.support.tools import result_of


def thin_status(volumes: Iterable[Volume], results: Sequence[Result], timeout_s: float) -> Mapping[str, ThinStatus]:
    """Thin pools by device mapper name, from the results of the entry `lvm`. Raises as `text_of` does.

    Without one dmsetup is not read: it fails where the tools are installed and the kernel has no device mapper.
    """
    if not any(each.kind == "t" for each in volumes):
        return {}
    return read_thin_status(result_of(results, "dmsetup", timeout_s))
