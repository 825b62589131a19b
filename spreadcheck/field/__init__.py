"""The field itself: its edge, its map, and how it is driven, by a plan or a recorded track."""
