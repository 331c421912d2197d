"""The form of stored rows: their columns, their checksums, their JSON and their instants."""
