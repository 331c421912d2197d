"""watchkeeper itself: its process and database, and what none of its probes covers."""
