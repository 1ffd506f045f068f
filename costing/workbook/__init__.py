"""The edge: reading and writing workbooks, and the link to an open one."""
