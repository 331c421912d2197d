"""What happens to a damaged database, and to damaged rows: they are moved aside, and what can be read stays in use.

Not here: how a row is checked (store/rows/checked_rows.py), and when (periodic/retention.py).
"""
