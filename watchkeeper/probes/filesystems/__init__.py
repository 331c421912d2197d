"""Probes of mounted file systems."""
