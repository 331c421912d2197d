"""The status page, the event log and the page of one subject. Not here: forms (auth/) and charts (charts/)."""
