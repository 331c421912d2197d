"""The page over several hosts: a host is one more level of grouping."""
