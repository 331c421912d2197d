"""The building blocks of the configuration: durations, sizes, secrets, and a loader that shows every error at once.

Not here: the whole document (settings.py), and the settings of probes and notifiers.
"""
