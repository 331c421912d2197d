"""watchkeeper: a watch over one home server, told as time left.

Data flows downward through the packages: a probe observes, the pipeline stores, judges and tells, notifiers deliver,
the page and the commands read the store. DEVELOPERS.md has the map.
"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("watchkeeper")
except PackageNotFoundError:  # run from a checkout that was never installed
    __version__ = "0+checkout"
