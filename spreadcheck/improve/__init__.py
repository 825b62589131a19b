"""Making it better: tests held against each other, and the setting that spreads most evenly."""
