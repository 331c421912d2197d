"""From observations to alerts: rules, the state machine, correlation and the time of the next evaluation. Pure.

Not here: sentences (messages/), storing and sending (runtime/).
"""
