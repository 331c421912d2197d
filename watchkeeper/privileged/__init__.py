"""The small program that runs as root: a fixed list of read-only commands, and nothing that a caller could add to it.

Standard library only, and nothing else of watchkeeper but its clock: what runs as root should be read in ten minutes.
"""
