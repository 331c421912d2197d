"""Looks at the host for a plan, and answers with it: the one place that both the commands and the page ask.

look.py sees what there is now, the store knows how it grew, core/planning/ decides. Nothing here changes the host.
"""
