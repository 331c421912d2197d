"""The present state of the host and its recorded history, gathered for planning; the commands and the page both use it.

scan.py reads the host, the store has the recorded growth, planning/ decides. Nothing here changes the host.

Capacity: scan.py (the host now) -> capacity.py (history, limits; arithmetic in a thread) -> planning/capacity/decide.py
-> space.py (stores), machine.py (memory, CPUs) -> CapacityAnswer (answer.py) -> text.py, web/planning/capacity_json.py.
growth_pattern.py decomposes a history, futures.py draws from it.

Preflight: scan.py reads the host once, with the readers of the probes (guests.py, zfs.py, lvm.py, files.py;
scan_context.py is what they share); a failure becomes a line of `unseen`. target.py resolves a name and finds what
belongs to it, storage_stack.py what files and disks are stored on. preflight.py gathers, planning/preflight/decide.py
decides each point, after_change.py and planning/preflight/compare.py compare before and after.

Reclaim: reclaim/measure.py (question and answer) -> reclaim/zfs.py, lvm.py, btrfs.py, files.py (each store's
candidates, and what a set frees) -> planning/reclaim/: bounds.py (what the counts prove), gain.py (days),
snapshots.py (what must stay, the chooser), order.py (thinning out), text.py.
"""
