"""One finder file for each kind of thing on a host. Not here: how a proposal is written or compared."""
