"""The field itself: its edge, and passes that come to an end."""
