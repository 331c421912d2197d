"""What is derived from a recorded history, and how it is named."""
