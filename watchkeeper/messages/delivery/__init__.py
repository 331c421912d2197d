"""To whom a message goes and when. Pure."""
