"""Does one more guest fit? Pure."""
