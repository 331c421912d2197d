"""Root works in folders of other users: whose a folder is (folder_owner.py), and that user's rights (file_rights.py).

The daemon's user answers to the network all day and may be taken over. Root never follows what that user can change: a
link, a name or a folder. It takes the owner's own rights first, so that the kernel refuses what the owner may not do.
Not here: the database and any other file format.
"""
