"""The running daemon: probes are run, what they see is evaluated, and what changed is committed and notified.

Not here: the rules (alerting/), and the process with its signals (daemon/).
"""
