"""The HTTP probe: the request, the checks and the reasons of a failure. Not here: TLS (probes/services/tls.py)."""
