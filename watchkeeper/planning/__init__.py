"""Looks at the host for a plan, and answers with it: the one place that both the commands and the page ask.

look.py sees what there is now, the store knows how it grew, core/planning/ decides. Nothing here changes the host.

Room: cli/room.py or the page -> look.py (the host now) -> room.py (record, limits; arithmetic in a thread) ->
core/planning/room.py -> space.py (stores), machine.py (memory, CPUs) -> RoomAnswer (answers.py) -> wording.py,
web/room_form.py (JSON). pattern.py takes a record apart, futures.py draws from it.

Ready: look.py sees the host once, with the readers of the probes (look_guests.py, look_zfs.py, look_lvm.py,
look_files.py; seeing.py is what they share); what fails becomes a line of `unseen`. belonging.py says what a name means
and what belongs to it, lies_on.py what files and disks are stored on. ready.py gathers, core/planning/ready.py decides
each point, after.py and core/planning/compare.py look back.

Frees: freeing.py (question and answer) -> freeing_zfs.py, freeing_lvm.py, freeing_btrfs.py, freeing_files.py (each
store's candidates, and what a set frees) -> core/planning/freeing_bounds.py (what counts say for certain),
freeing_gain.py (days), freeing.py (what must stay, the chooser), freeing_order.py (thinning out), freeing_wording.py.
"""
