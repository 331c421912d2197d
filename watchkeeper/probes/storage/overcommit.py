"""Overcommit of storage: the total size allocated to volumes, against the capacity."""

from watchkeeper.model.units import format_size


def overcommitted(promised: int, capacity: int, limit: float) -> str:
    """Why too much is allocated; empty if it is not."""
    if promised <= limit * capacity:
        return ""
    return (
        f"{format_size(promised)} are allocated to volumes, {format_size(capacity)} exist, limit {limit:g} times that"
    )
