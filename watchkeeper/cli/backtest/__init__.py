"""The backtest command: rules against a recorded history."""
