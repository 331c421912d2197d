"""What is gathered before a change and after it."""
