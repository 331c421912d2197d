"""The JSON API and its description. Not here: the pages."""
