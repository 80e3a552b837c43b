"""Rules of before the six steps: what the tracks bring with them."""
