"""Frozen values that every layer shares: observations, alerts, findings, messages, records and ports.

Not here: I/O, and decisions based on these values.
"""
