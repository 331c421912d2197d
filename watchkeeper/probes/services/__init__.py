"""Probes of services over the network, and of jobs that report."""
