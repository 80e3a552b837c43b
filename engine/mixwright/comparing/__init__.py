"""What changed between two mixes: in the sheet, by meaning, and in the sound."""
