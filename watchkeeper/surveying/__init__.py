"""Looks at the host and proposes a configuration: one finder a file for each sort of thing, and a renderer to TOML.

What may live here: looking, through the probes' own modules, and proposing. Not here: judging, printing, writing files.

The finders of table.FINDERS run together, each `find(Host) -> Found` (proposals, what could not be seen, what is
missing, what is there). document.render or comparing.compare takes what they found; cli/survey.py prints or writes it.
A new sort of thing is one file with a `find` and one row in table.py. Finders read through the probes' modules and
parse only what no probe reads: QEMU's command lines (qemu.py), `systemctl list-timers` and `list-unit-files` as JSON
(units.py; forms seen on systemd 252).
"""
