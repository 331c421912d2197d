"""Probes of the host itself: file systems, memory, clock, devices. Not here: storage below file systems, units."""
