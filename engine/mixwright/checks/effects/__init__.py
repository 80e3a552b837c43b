"""Rules of step 5: the shared returns, less than one thinks."""
