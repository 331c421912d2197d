"""Notifiers: one small file each, which formats a message and delivers it once. registry.py lists them.

Not here: what a message says (messages/). Retries and order are in outbox/.
"""
