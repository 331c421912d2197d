"""The small program that runs as root: a fixed list of read-only commands, to which a caller can add nothing.

Standard library only, and of watchkeeper only its clock: code that runs as root should take ten minutes to read.
"""
