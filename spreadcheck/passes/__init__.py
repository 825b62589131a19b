"""The passes of a test: one table of their rates, the noise of a tray, and what is more than chance."""
