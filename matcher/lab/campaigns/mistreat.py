"""One door to all campaigns: its name, then its own options; `--help` after the name tells those."""

from __future__ import annotations

import argparse
import sys
from importlib import import_module

CAMPAIGNS = ("broken", "contract", "damages", "hostile", "kills", "outages", "sockets")


def main() -> None:
    """Run the campaign that is named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("campaign", choices=CAMPAIGNS)
    parser.add_argument("options", nargs=argparse.REMAINDER, help="of the campaign")
    chosen = parser.parse_args()
    sys.argv = [f"mistreat {chosen.campaign}", *chosen.options]
    import_module(f"matcher.lab.campaigns.{chosen.campaign}").main()


if __name__ == "__main__":
    main()
