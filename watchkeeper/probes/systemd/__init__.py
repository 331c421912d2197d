"""The service manager: units, timers, and how services run between two looks."""
