"""What a reader is handed: text, HTML and PDF of an assessment. Each returns text or a figure; the caller saves."""
