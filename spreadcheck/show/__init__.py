"""Results shown: text, pictures, pages and files. Nothing is computed here that a result does not hold."""
