"""Notifiers: each one small file that gives a message its form and delivers it once. registry.py lists them.

Not here: what a message says (messages/). Retries and order are in outbox/.
"""
