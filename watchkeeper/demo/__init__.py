"""The demo: an invented bird observatory's server, watched by the real pipeline while its time runs fast.

Not here: rules or pages of its own.
"""
