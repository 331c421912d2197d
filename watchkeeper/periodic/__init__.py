"""What runs at intervals: the scheduler, retention, reminders and digests, the decision log.

Not here: what becomes of an observation (runtime/).
"""
