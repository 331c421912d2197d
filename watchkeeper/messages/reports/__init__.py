"""Reports that are read on paper: what happened in a month, and the sheet of the house. Pure."""
