"""What is monitored, as text for programs that collect metrics (OpenMetrics 1.0). Not here: what anything means."""
