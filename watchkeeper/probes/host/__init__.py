"""Probes of the host itself: file systems, memory, clock, devices, units. Not here: storage beneath file systems."""
