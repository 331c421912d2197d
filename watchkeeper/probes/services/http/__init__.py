"""The HTTP probe: the request, the checks and the reasons for a failure. Not here: TLS (probes/services/tls.py)."""
