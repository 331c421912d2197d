"""What people read about an alert: sentences, bodies, digests, reminders and links. Pure."""
