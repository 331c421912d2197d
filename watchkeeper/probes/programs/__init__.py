"""Probes that run a program of the operator and read its output."""
