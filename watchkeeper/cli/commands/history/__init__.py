"""Commands that read the recorded history, or write a note into it."""
