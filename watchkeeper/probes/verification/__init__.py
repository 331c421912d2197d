"""Reads the newest backups whole, and checks them with the means of their own format."""
