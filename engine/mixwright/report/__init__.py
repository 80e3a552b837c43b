"""One diagnostic or reading, several small renderers: terminal text, JSON."""
