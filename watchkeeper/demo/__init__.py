"""The demo: the server of an invented bird observatory, monitored by the real pipeline while its time runs fast.

Not here: rules or pages of its own.
"""
