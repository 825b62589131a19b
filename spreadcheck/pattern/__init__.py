"""The spread pattern read as the trade reads it: figures, peaks, shape, and what is usually looked at."""
