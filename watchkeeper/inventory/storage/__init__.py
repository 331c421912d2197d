"""What is read about file systems, pools and what they are stored on, for planning."""
