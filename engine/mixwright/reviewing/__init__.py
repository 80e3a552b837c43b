"""The page to listen and read by: sources in sync, their figures, the steps, what changed."""
