"""Rules of step 1: gain and pan alone, judged in the loudest section."""
