"""The backtest command (`rehearse`): rules against a recorded history. Not here: the replay (alerting/backtest.py)."""
