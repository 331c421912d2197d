"""The daemon as a process: start, signals, health, heartbeat, systemd, what the page may ask of it.

Not here: the path of an observation, and reloads (runtime/).
"""
