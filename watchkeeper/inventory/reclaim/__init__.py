"""What snapshots hold on each kind of store. Nothing is deleted here. Not here: which to delete (planning/reclaim/)."""
