"""Probes of services over the network, and of jobs that report. Not here: judging an answer (alerting/rules.py)."""
