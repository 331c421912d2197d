"""Decisions about changes to the host, from recorded data: does one more guest fit, is a change safe, what to delete?

host_state.py is the host as it is now; one folder for each question. Pure: reading the host and the store is done in
watchkeeper/inventory/.
"""
