"""Probes of network services, and of jobs that report. Not here: judging an answer (alerting/rules.py)."""
