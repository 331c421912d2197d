"""What to do when an alert comes: one entry for each kind of alert that watchkeeper can raise. Sentences, and pure.

The messages take the first thing to look at from here (core/advice.py), the manual and the man page take all of it, so
that the two cannot differ. A new probe needs its entries here; tests/test_manual.py fails without them.
"""
