"""Rules of step 6: rides, so that every word is heard."""
