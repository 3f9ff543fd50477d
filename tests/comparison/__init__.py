"""Two sounds side by side: what differs, and whether anybody hears it."""
