"""``python -m mixwright.cli``."""

from mixwright.cli import main

main()
