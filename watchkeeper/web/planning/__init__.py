"""The pages and the API of the planning commands. Not here: the answers (planning/) and the host (inventory/)."""
