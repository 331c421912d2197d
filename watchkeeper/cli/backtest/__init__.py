"""The backtest command (`rehearse`): rules against a recorded history. Not here: the walk (alerting/backtest.py)."""
