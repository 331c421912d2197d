"""Probes of guests under QEMU. Not here: allocated storage (probes/storage/)."""
