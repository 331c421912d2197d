"""The status page, the event log and the page of one subject."""
