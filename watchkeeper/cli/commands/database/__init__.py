"""Commands that copy the database or replace it."""
