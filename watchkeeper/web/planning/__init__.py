"""The pages and the API of the planning commands."""
