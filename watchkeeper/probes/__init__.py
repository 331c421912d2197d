"""Probes: each is one small file that observes and never judges. registry.py lists them.

Not here: storing, scheduling, rules.
"""
