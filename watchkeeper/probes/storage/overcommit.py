"""Overcommit of storage: what volumes promise together, against what there is."""

from watchkeeper.model.units import format_size


def overcommitted(promised: int, capacity: int, limit: float) -> str:
    """Why a promise is too large; empty where it is not."""
    if promised <= limit * capacity:
        return ""
    return f"volumes promise {format_size(promised)} of {format_size(capacity)}, limit {limit:g} times as much"
