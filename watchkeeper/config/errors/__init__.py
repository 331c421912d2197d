"""From pydantic's errors to messages that name the place, the value and the remedy. Not here: reading a document."""
