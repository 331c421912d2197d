"""The status page and the API beneath it, served on loopback by default.

Not here: decisions about alerts. It reads the store and asks the daemon through ports.
"""
