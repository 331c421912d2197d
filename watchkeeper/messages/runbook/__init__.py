"""What to do when an alert is raised: one entry for each kind of alert that watchkeeper can raise. Sentences, and pure.

Messages take the first step from here (first_step.py); the manual and the man page print all of it, so that they cannot
differ. A new probe needs its entries here; tests/test_manual.py fails without them.
"""
