"""watchkeeper: monitors one home server and reports the time left.

Data flows downward through the packages: a probe observes, the pipeline stores, evaluates and notifies, notifiers
deliver, the page and the commands read the store. DEVELOPERS.md has the map.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    __version__: str
else:

    def __getattr__(name: str) -> str:
        """Read the version on first use: reading takes 40 ms, and the privileged helper starts for every question."""
        if name != "__version__":
            raise AttributeError(f"module 'watchkeeper' has no attribute {name!r}")
        from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415

        try:
            return version("watchkeeper")
        except PackageNotFoundError:  # run from a checkout that was never installed
            return "0+checkout"
