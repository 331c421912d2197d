"""Atom and iCalendar feeds. Not here: the API (api/)."""
