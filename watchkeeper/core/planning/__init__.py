"""The keeper's two decisions, from what is recorded: is it safe to change this now, and is there room for one more?

host.py is what there is; futures.py draws the time to full from recorded growth; the others each answer one question.
Pure like all of core/: the looking is done in watchkeeper/planning/.
"""
