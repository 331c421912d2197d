"""Alerts that belong together: causes, groups, floods. Pure."""
