"""What changed on the host: packages, unit files, mounts, kernel, devices. Not here: guests (guests/) and restarts."""
