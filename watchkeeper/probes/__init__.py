"""Probes: each one small file that observes and never judges. table.py lists them."""
