"""Run the command line by ``python -m trafficmap``."""

from __future__ import annotations

from trafficmap.cli import main

if __name__ == "__main__":
    main()
