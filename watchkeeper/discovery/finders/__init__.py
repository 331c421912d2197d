"""One finder a file for each kind of thing on a host."""
