"""Disks' own health reports: the probe, smartctl's report, its counters and their history, the last self-tests."""
