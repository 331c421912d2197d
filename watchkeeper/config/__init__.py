"""The building blocks of the configuration: durations, sizes, secrets, and a loader that shows every error at once."""
