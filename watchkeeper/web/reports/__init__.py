"""Reports for paper: reading what they are made of, and their pages."""
