"""Atom and iCalendar feeds."""
