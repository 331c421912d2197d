"""What the points of a preflight are about. In a module of its own, because the page names them before any question."""

from enum import StrEnum


class Matter(StrEnum):
    """What a point is about. The value is the word by which a point may be skipped, and its name in JSON."""

    GUEST = "guest"
    SNAPSHOT = "snapshot"
    BACKUP = "backup"
    SPACE = "space"
    TIME_TO_FULL = "time-to-full"
    STORAGE_BELOW = "storage-below"
    ANSWERS = "answers"
    MEMORY = "memory"
    MONITORING = "monitoring"
    RESTART = "restart"

    @property
    def words(self) -> str:
        """The matter as people read it."""
        return self.value.replace("-", " ")
