"""Commands that show alerts or act on one."""
