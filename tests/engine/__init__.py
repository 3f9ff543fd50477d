"""From nodes to prints: time, remarks, stretches, the same sound every way."""
