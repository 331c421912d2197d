"""Messages by SMTP."""
