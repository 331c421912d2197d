"""Predictive laws: the probability that a level is full within a time, from the trend and from what was recorded.

pooled.py mixes them into the one law that a forecast is asked of.
"""
