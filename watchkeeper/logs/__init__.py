"""What the daemon logs: one line per event, with fields, to systemd's journal or to standard error.

    fields.py    the vocabulary of a log call: its event, and what it is about
    lines.py     a record as one line of text, and as the journal's fields
    journal.py   the native protocol of systemd's journal
    limiting.py  how often a similar line is written
    setup.py     connects them; started by `watchkeeper run`

Code that logs imports fields.py and nothing else from this package. Not here: the event log that the store keeps for
the operator (model/records.py).
"""
