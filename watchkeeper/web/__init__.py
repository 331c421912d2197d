"""The status page and its API, served on loopback by default.

Not here: decisions about alerts. This package reads the store and calls the daemon through ports.
"""
