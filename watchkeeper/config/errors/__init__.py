"""Turns pydantic's errors into messages that name the place, the value and the remedy. Not here: reading a document."""
