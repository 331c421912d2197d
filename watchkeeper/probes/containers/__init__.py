"""Containers: those of an engine with the Docker Engine API, and those that are only cgroups (LXC, systemd-nspawn)."""
