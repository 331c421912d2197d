"""What the daemon logs: one line an event, with fields, to systemd's journal or to standard error.

    fields.py    the words of a log call: its event, and whom it is about
    lines.py     a record as one line of text, and as the journal's fields
    journal.py   the native protocol of systemd's journal
    limiting.py  how often the same is told
    setup.py     joins them; begun by `watchkeeper run`

Whoever logs imports fields.py and nothing else of this. Not here: the journal that the store keeps for the keeper
(model/records.py), which is another thing of the same name.
"""
