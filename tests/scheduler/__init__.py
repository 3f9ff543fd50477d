"""Worker processes: they make the same bits; the task of one that dies is tried again."""
