"""The running daemon: probes are run, what they see is evaluated, and what changed is committed and notified."""
