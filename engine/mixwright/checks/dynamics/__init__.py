"""Rules of step 4: processors of dynamics, only where there is a reason."""
