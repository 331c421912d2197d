"""The running daemon: it runs probes, evaluates what they observe, commits what changed and sends notifications.

Not here: the rules (alerting/), and the process with its signals (daemon/).
"""
