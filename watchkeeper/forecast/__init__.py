"""Time to full: from the recorded history of a level to a forecast with a 90 % range. Pure; numpy only.

Not here: when a forecast is an alert (alerting/rules.py).
"""
