"""Pages to look at: sections of text, tables, figures and players, one design for all, offline and self-contained."""
