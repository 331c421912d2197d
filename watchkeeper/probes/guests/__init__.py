"""Probes of guests under QEMU."""
