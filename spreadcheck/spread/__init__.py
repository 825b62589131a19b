"""From catches to what the field gets: single-pass profile, overlap, evenness, bout widths."""
