"""The event log on the page."""
