"""What is on the host now and what was recorded of it, gathered for planning: the commands and the page both ask here.

scan.py reads the host, the store knows the recorded growth, planning/ decides. Nothing here changes the host.

Capacity: scan.py (the host now) -> capacity.py (record, limits; arithmetic in a thread) -> planning/capacity/decide.py
-> space.py (stores), machine.py (memory, CPUs) -> RoomAnswer (answer.py) -> text.py, web/planning/capacity_json.py.
growth_pattern.py takes a record apart, futures.py draws from it.

Preflight: scan.py reads the host once, with the readers of the probes (guests.py, zfs.py, lvm.py, files.py;
scan_context.py is what they share); what fails becomes a line of `unseen`. target.py says what a name means and what
belongs to it, storage_stack.py what files and disks are stored on. preflight.py gathers, planning/preflight/decide.py
decides each point, after_change.py and planning/preflight/compare.py look back.

Reclaim: reclaim/measure.py (question and answer) -> reclaim/zfs.py, lvm.py, btrfs.py, files.py (each store's
candidates, and what a set frees) -> planning/reclaim/: bounds.py (what counts say for certain), gain.py (days),
snapshots.py (what must stay, the chooser), order.py (thinning out), text.py.
"""
