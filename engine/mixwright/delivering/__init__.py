"""Every variant of a release from one sheet, finished, written, listed and verified."""
