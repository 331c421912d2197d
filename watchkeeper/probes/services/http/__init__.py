"""The HTTP probe: the request, the checks and the reasons of a failure."""
