"""Worker processes: they make the same bits, die, and are tried again."""
