"""Commands that propose, check or try a configuration."""
