"""The daemon as a process: start, signals, health, heartbeat, systemd, and the actions that the page may request.

Not here: the path of an observation, and reloads (runtime/).
"""
