"""Rules of step 4: compressors, gates and de-essers, only where there is a reason."""
