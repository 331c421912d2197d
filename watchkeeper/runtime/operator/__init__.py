"""What the operator does to alerts for a time: planned maintenance and simulated alerts."""
