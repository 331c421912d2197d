"""Commands that answer a question before a change; they change nothing."""
