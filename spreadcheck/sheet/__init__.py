"""The tray sheet: its labels, its cells, reading and writing it, and the test it holds."""
