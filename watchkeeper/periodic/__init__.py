"""What runs at intervals: the scheduler, retention, reminders and digests, the decision log.

Not here: the processing of an observation (runtime/).
"""
