"""Probes that run a program of the operator and read its output. Not here: tools that other probes run (support/)."""
