"""Rules of after the six steps: the finished mix as a file."""
