"""Reads the host and proposes a configuration: one finder file for each kind of thing, and a renderer to TOML.

Allowed here: reading, through the probes' own modules, and proposing. Not here: evaluating, printing, writing files.

The finders of registry.FINDERS run concurrently, each `find(Host) -> Found` (proposals, what could not be seen, what is
missing, what is there). document.render or diff.compare takes what they found; the command prints or writes it. A new
kind of thing is one file with a `find` and one row in registry.py. Finders read through the probes' modules and parse
only what no probe reads: QEMU's command lines (finders/guests/qemu.py), `systemctl list-timers` and `list-unit-files`
as JSON (finders/units.py; formats seen on systemd 252).
"""
