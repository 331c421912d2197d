"""Who owns a folder that root works in (folder_owner.py), and working with that user's rights (file_rights.py).

The daemon's user accepts network connections all day and may be compromised. Root never follows what that user can
change: a link, a name or a folder. It first takes the owner's rights, so that the kernel refuses what the owner may not
do. Not here: the database and any other file format.
"""
