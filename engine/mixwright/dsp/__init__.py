"""Processors: frozen settings in, samples out. This room knows no YAML, bars or files."""
