"""Frozen values that every layer shares: observations, alerts, findings, messages, records and ports. No I/O."""
