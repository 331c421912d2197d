"""Looks at the host and proposes a configuration: one finder a file for each sort of thing, and a renderer to TOML.

What may live here: looking, through the probes' own modules, and proposing. Not here: judging, printing, writing files.
"""
