"""What is read of the database to be copied into an archive."""
