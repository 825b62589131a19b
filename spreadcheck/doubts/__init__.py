"""What speaks against relying on a test: every doubt with its limit, source, effect and remedy."""
