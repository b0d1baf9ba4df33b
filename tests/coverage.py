"""All pages of measured coverage in agreement, by one command.

    python -m tests.coverage docs/methods 4000            every page, some five hours on one core
    python -m tests.coverage docs/methods 4000 icc limits these pages

The same seed gives the same figures.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.agreement import (
    covered_pairs,
    covered_ratings,
    simulated,
    simulated_bootstrap,
    simulated_limits,
    simulated_modes,
    simulated_reliability,
)
from tests.covered import write
from tests.mixed import simulated_components, simulated_effects

PAGES = {
    page.name: page
    for page in (
        simulated_reliability.PAGE,
        simulated_modes.PAGE,
        simulated_bootstrap.PAGE,
        simulated.PAGE,
        simulated_limits.PAGE,
        covered_ratings.PAGE,
        covered_pairs.PAGE,
        simulated_components.PAGE,
        simulated_effects.PAGE,
    )
}

if __name__ == "__main__":
    for name in sys.argv[3:] or list(PAGES):
        write(PAGES[name], Path(sys.argv[1]), int(sys.argv[2]))
