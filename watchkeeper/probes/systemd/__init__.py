"""The service manager: failed units, timers, and how services run between two looks."""
