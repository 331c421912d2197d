"""`watchkeeper backtest`: rules against a recorded history. Not here: the replay (alerting/backtest.py)."""
