"""Delivers stored messages: retries, order within a thread, nothing lost."""
