"""The software of the host: updates that wait, restarts that are due, the end of its support."""
