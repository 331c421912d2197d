"""Messages by HTTP, signed."""
