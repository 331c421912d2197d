"""Notifiers: each one small file that gives a message its form and delivers it. notifiers/outbox/outbox.py keeps
them honest.
"""
